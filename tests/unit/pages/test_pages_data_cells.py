"""A page's cells: no finer than a metre, each as closed as the worst ground within it."""

from __future__ import annotations

import numpy as np
import pytest
from made import make_grid, plane, rectangle
from made_sheet import made_context, made_survey

from atlas.driving.records import Drive, Reason, Zone
from atlas.grid import Bytes
from atlas.pages.data_cells import PageCells, page_cells, verdicts, worst_class
from atlas.pages.data_kernel import CUT_OFF, NO_TURN
from atlas.settings import Settings
from atlas.terrain.figures import TerrainSurvey
from atlas.terrain.surveying import survey_terrain


def terrain_of(cell_x: float, cell_y: float | None = None) -> TerrainSurvey:
    grid = make_grid(60, 90, cell_x, cell_y)
    width, height = grid.bounds.width, grid.bounds.height
    field = rectangle(grid, 0.31 * width, 0.22 * height, 0.83 * width, 0.77 * height)
    return survey_terrain(field, plane(0.3, grid=grid), Settings())


def drive_of(zone: Bytes, reason: Bytes, cut: Bytes, turn: Bytes) -> Drive:
    return Drive("m", "firm", "new", zone, reason, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, cut, turn)


def plain_block(cells: PageCells, row: int, col: int, terrain: TerrainSurvey) -> list[tuple[int, int]]:
    """Terrain cells of a page cell that hold some of the field, by hand."""
    rows = range(cells.row + row * cells.per_row, cells.row + (row + 1) * cells.per_row)
    cols = range(cells.col + col * cells.per_col, cells.col + (col + 1) * cells.per_col)
    grid = terrain.grid
    return [(r, c) for r in rows for c in cols if r < grid.rows and c < grid.cols and terrain.covered[r, c] > 0]


@pytest.mark.parametrize(
    ("cell_x", "cell_y", "per_col", "per_row"),
    [(1.0, 1.0, 1, 1), (0.5, 0.5, 2, 2), (0.4, 0.4, 3, 3), (2.0, 2.0, 1, 1), (0.5, 1.25, 2, 1), (0.25, 0.5, 4, 2)],
)
def test_a_page_cell_is_the_worst_of_its_terrain_cells(
    cell_x: float, cell_y: float, per_col: int, per_row: int
) -> None:
    terrain = terrain_of(cell_x, cell_y)
    cells = page_cells(terrain)
    assert (cells.per_col, cells.per_row) == (per_col, per_row)
    assert cells.cell_x >= 1.0 - 1e-9 or cells.per_col == 1
    rng = np.random.default_rng(5)
    zone = rng.integers(0, 5, terrain.grid.shape).astype(np.uint8)
    reason = rng.integers(0, 30, terrain.grid.shape).astype(np.uint8)
    cut, turn = (rng.random(terrain.grid.shape) < 0.2 for _ in range(2))
    found = verdicts(cells, drive_of(zone, reason, cut.astype(np.uint8), turn.astype(np.uint8)))
    for row in range(cells.rows):
        for col in range(cells.cols):
            block = plain_block(cells, row, col, terrain)
            if not block:
                assert found.zone[row, col] == 255
                continue
            worst = max(zone[at] for at in block)
            assert found.zone[row, col] == worst
            assert found.reason[row, col] == max(reason[at] for at in block if zone[at] == worst)
            assert found.flags[row, col] == (
                CUT_OFF * any(cut[at] for at in block) + NO_TURN * any(turn[at] for at in block)
            )


def test_page_cells_cover_the_whole_field_and_lie_where_they_say() -> None:
    terrain = terrain_of(0.5)
    cells = page_cells(terrain)
    down, across = np.nonzero(terrain.covered > 0)
    rows, cols = (down - cells.row) // cells.per_row, (across - cells.col) // cells.per_col
    assert cells.inside[rows, cols].all()
    assert cells.west == terrain.grid.west + cells.col * 0.5
    assert cells.north == terrain.grid.north - cells.row * 0.5


def test_ground_without_a_class_is_the_worst_class() -> None:
    terrain = terrain_of(0.5)
    cells = page_cells(terrain)
    classes = np.zeros(terrain.grid.shape, dtype=np.uint8)
    at = (cells.row + 20, cells.col + 20)
    classes[at] = 255
    found = worst_class(cells, classes)
    assert found[10, 10] == 254
    assert (found == 254).sum() == 1
    assert set(np.unique(found[cells.inside])) == {0, 254}


def test_missing_heights_never_look_drivable() -> None:
    """One cell without height among drivable ones closes its whole page cell."""
    ctx = made_context()
    survey = made_survey(ctx, east_m=60, north_m=50, cell_m=0.5)
    drive = survey.driving.drives[0]
    cells = page_cells(survey.terrain)
    zone, reason = np.zeros_like(drive.zone), np.zeros_like(drive.reason)
    row, col = (int(v[len(v) // 2]) for v in np.nonzero(survey.terrain.covered > 0))
    zone[row, col], reason[row, col] = Zone.UNSURVEYED, Reason.NO_HEIGHT
    found = verdicts(cells, drive_of(zone, reason, zone * 0, zone * 0))
    at = ((row - cells.row) // 2, (col - cells.col) // 2)
    assert (found.zone[at], found.reason[at]) == (Zone.UNSURVEYED, Reason.NO_HEIGHT)
