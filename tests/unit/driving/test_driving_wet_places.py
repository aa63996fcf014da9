"""A field's likely wet places, on ground whose lowest line is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made import make_grid, middle_xy, plane, rectangle
from made_driving import hazard
from pyproj import Transformer
from shapely.geometry import Point, Polygon

from atlas.driving.records import TaggedHazard
from atlas.driving.wet_places import CELL_M, coarsened, wet_places
from atlas.grid import Bounds, CellWindow, Grid, Heights
from atlas.settings import Settings
from atlas.survey import _cut
from atlas.terrain.figures import TerrainSurvey
from atlas.terrain.surveying import survey_terrain

TO_GLOBE = Transformer.from_crs("EPSG:25832", "EPSG:4326", always_xy=True)


def valley(cell_m: float = 1.0) -> Heights:
    """Falls 20 % south, with a furrow down the middle (x = 0) 6 m wide either side."""
    grid = make_grid(round(300 / cell_m), round(300 / cell_m), cell_m)
    x, y = middle_xy(grid)
    return Heights(grid, 700 + 0.2 * y + 0.1 * np.abs(x) - 1.5 * np.exp(-((x / 6) ** 2)))


def surveyed(whole: Heights, field: Polygon) -> TerrainSurvey:
    """The field's own window, cut out of the whole as a survey has it."""
    w = whole.grid.window(Bounds(*field.bounds), 30.0)
    z = whole.z[w.row : w.row + w.rows, w.col : w.col + w.cols].copy()
    return survey_terrain(field, Heights(whole.grid.part(w), z), Settings())


@pytest.mark.parametrize("cell_m", [0.5, 1.0, 2.0])
def test_the_likeliest_places_lie_in_the_furrow(cell_m: float) -> None:
    whole = valley(cell_m)
    field = rectangle(whole.grid, 100, 100, 200, 200)
    found = wet_places(field, surveyed(whole, field), whole, (), TO_GLOBE)
    assert [w.rank for w in found] == list(range(1, len(found) + 1))
    best = found[0]
    assert abs(best.x - (whole.grid.west + 150)) <= 4.0  # the index is smoothed over as much
    assert best.y == pytest.approx(whole.grid.bounds.south + 100, abs=2 * CELL_M)  # most has gathered at the foot
    assert TO_GLOBE.transform(best.x, best.y) == pytest.approx((best.lon, best.lat), abs=1e-7)
    assert best.place == "at the south edge"


def test_water_from_outside_the_field_counts() -> None:
    """The same furrow begins above the field: without the ground above, its foot is worth less."""
    whole = valley()
    field = rectangle(whole.grid, 100, 60, 200, 140)
    survey = surveyed(whole, field)
    own = Heights(survey.grid, survey.z)
    with_all = wet_places(field, survey, whole, (), TO_GLOBE)[0].index
    assert with_all > wet_places(field, survey, own, (), TO_GLOBE)[0].index + 0.3


def test_what_a_marking_keeps_machines_off_is_not_named_again() -> None:
    whole = valley()
    field = rectangle(whole.grid, 100, 100, 200, 200)
    survey = surveyed(whole, field)
    best = wet_places(field, survey, whole, (), TO_GLOBE)[0]
    mark = hazard("wet_spot", Point(best.x, best.y))
    tagged = TaggedHazard(1, mark, best.lon, best.lat, best.x, best.y, "", Point(best.x, best.y).buffer(12.0))
    others = wet_places(field, survey, whole, (tagged,), TO_GLOBE)
    assert others
    assert all(Point(w.x, w.y).distance(mark.shape) > 11.9 for w in others)


def test_where_nothing_is_measured_nothing_is_named() -> None:
    whole = valley()
    field = rectangle(whole.grid, 100, 100, 200, 200)
    gap = replace(whole, z=np.full_like(whole.z, np.nan))
    assert wet_places(field, surveyed(gap, field), gap, (), TO_GLOBE) == ()


def test_coarse_heights_are_means_of_blocks_and_a_plane_stays_one() -> None:
    fine = plane(0.3, 200.0, make_grid(41, 62, 0.5))
    covered = np.ones(fine.grid.shape, dtype=np.float32)
    covered[:, :2] = 0
    coarse, share = coarsened(fine, covered)
    assert coarse.grid == Grid(fine.grid.crs, fine.grid.west, fine.grid.north, 2.0, 2.0, 10, 15)
    by_hand = fine.z[4:8, 8:12].mean()
    assert coarse.z[1, 2] == pytest.approx(by_hand, abs=1e-9)
    rise = np.diff(coarse.z, axis=1)
    assert rise == pytest.approx(np.full(rise.shape, rise[0, 0]), abs=1e-9)
    assert share[:, 0] == pytest.approx(0.5)
    assert share[:, 1:] == pytest.approx(1.0)


def test_a_block_with_a_gap_is_a_gap() -> None:
    fine = plane(0.1, 90.0, make_grid(8, 8, 1.0))
    fine.z[3, 3] = np.nan
    coarse, _ = coarsened(fine, np.ones((8, 8), dtype=np.float32))
    assert np.argwhere(np.isnan(coarse.z)).tolist() == [[1, 1]]


def test_cells_large_enough_stay_as_they_are() -> None:
    heights = plane(0.1, 90.0, make_grid(8, 8, 2.0))
    covered = np.ones((8, 8), dtype=np.float32)
    assert coarsened(heights, covered) == (heights, covered)


def test_the_survey_cuts_the_very_cells_it_would_have_read() -> None:
    whole = plane(0.2, 170.0, make_grid(300, 260, 1.0))
    box = Bounds(*rectangle(whole.grid, 90.3, 101.7, 160.2, 180.9).bounds)
    w = whole.grid.window(box, 100.0)
    wide = Heights(whole.grid.part(w), whole.z[w.row : w.row + w.rows, w.col : w.col + w.cols])
    cut = _cut(wide, box, 30.0)
    direct: CellWindow = whole.grid.window(box, 30.0)
    assert cut.grid == whole.grid.part(direct)
    assert (cut.z == whole.z[direct.row : direct.row + direct.rows, direct.col : direct.col + direct.cols]).all()
