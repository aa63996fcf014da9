"""The farm's ground as a coarse picture: block means, gaps, and never the whole terrain at once."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from made import METRIC
from PIL import Image
from shapely.geometry import Point, box
from shapely.strtree import STRtree

from atlas.farm.farm import Farm
from atlas.farm.records import Parcel, Remark, WayIn
from atlas.grid import Bounds, Grid, Heights
from atlas.pages.overview_paper import frame_for, sheet_for
from atlas.pages.overview_relief import block_means, coarse_heights, farm_bounds, farm_relief
from atlas.settings import parse

WHOLE = Grid(METRIC, 600_000.0, 5_210_000.0, 1.0, 1.0, 6000, 8000)


@dataclass
class MadeTerrain:
    """A plane of 20 % towards east and 10 % towards north, with a gap, given out window by window."""

    grid: Grid = WHOLE
    source: str = "made for tests"
    date: str = "2024"
    remarks: tuple[Remark, ...] = ()
    asked: list[int] = field(default_factory=list)

    def read(self, bounds: Bounds, margin_m: float = 0.0) -> Heights:
        grid = self.grid.part(self.grid.window(bounds, margin_m))
        self.asked.append(grid.rows * grid.cols)
        z = 0.2 * (grid.xs[None, :] - WHOLE.west) + 0.1 * (grid.ys[:, None] - WHOLE.north)
        return Heights(grid, np.where(grid.xs[None, :] > WHOLE.west + 6200, np.nan, z))

    def fingerprint(self, bounds: Bounds, margin_m: float = 0.0) -> str:
        return f"{bounds} {margin_m}"

    def stored_mark(self, bounds: Bounds) -> str | None:
        del bounds  # nothing of these heights was ever stored
        return None

    def coarse(self, bounds: Bounds, cell_m: float) -> Heights:
        raise AssertionError(f"nobody looks far here, {bounds} in cells of {cell_m} m")

    def coarse_fingerprint(self, bounds: Bounds, cell_m: float) -> str:
        return f"{bounds} {cell_m}"

    def close(self) -> None: ...


def farm(*boxes: Bounds) -> Farm:
    parcels = tuple(
        Parcel(f"F{i}", f"f{i}", f"Field {i}", "", "", "", "", box(b.west, b.south, b.east, b.north))
        for i, b in enumerate(boxes)
    )
    gate = WayIn("w", "Gate", None, None, True, "", Point(boxes[0].west - 30, boxes[0].south))
    return Farm(
        path=Path("made.gpkg"),
        name="Made",
        parcels=parcels,
        hazards=(),
        ways_in=(gate,),
        storms=(),
        releases=(),
        terrain=MadeTerrain(),
        remarks=(),
        as_of=datetime(2026, 6, 12, tzinfo=UTC),
        parcel_index=STRtree([p.shape for p in parcels]),
        hazard_index=STRtree([]),
        way_in_index=STRtree([gate.shape]),
    )


FAR = farm(Bounds(601_000, 5_205_000, 601_200, 5_205_300), Bounds(606_000, 5_208_000, 606_100, 5_208_100))


def test_block_means_of_a_plane_are_its_heights_at_the_blocks_middles() -> None:
    made = MadeTerrain()
    around = Bounds(601_003.0, 5_205_007.0, 605_000.0, 5_208_000.0)
    coarse = coarse_heights(farm(around), around)
    step = round(coarse.grid.cell_x)
    assert step == 10
    inside = coarse.z[:-1, :-1]  # the last blocks may reach past what was asked for
    expected = 0.2 * (coarse.grid.xs[None, :-1] - WHOLE.west) + 0.1 * (coarse.grid.ys[:-1, None] - WHOLE.north)
    assert np.allclose(inside, expected, atol=1e-9)
    assert made.asked == []


def test_a_big_farm_is_read_in_parts() -> None:
    terrain = FAR.terrain
    assert isinstance(terrain, MadeTerrain)
    terrain.asked.clear()
    farm_relief(FAR)
    assert len(terrain.asked) > 5
    assert max(terrain.asked) <= 2_500_000
    assert sum(terrain.asked) > 20_000_000


def test_gaps_are_transparent_and_ground_is_pale() -> None:
    relief = farm_relief(FAR)
    picture = Image.open(io.BytesIO(relief.png))
    grey = np.asarray(picture)
    assert picture.info["transparency"] == 0
    west = relief.bounds.west
    cell = relief.bounds.width / grey.shape[1]
    cols = west + (np.arange(grey.shape[1]) + 0.5) * cell
    beyond = grey[:, cols > WHOLE.west + 6200 + cell]
    ground = grey[10:-10, (cols > WHOLE.west + 400) & (cols < WHOLE.west + 6100)]
    assert beyond.size > 0
    assert (beyond == 0).all()
    assert ground.min() >= 120


def test_the_picture_covers_the_printed_frame() -> None:
    settings = parse({"print": {"paper": "A3", "turned": "upright"}})
    frame = frame_for(farm_bounds(FAR), sheet_for("A3", "upright")).bounds
    found = farm_relief(FAR, settings).bounds
    assert found.west <= max(frame.west, WHOLE.west)
    assert found.east >= min(frame.east, WHOLE.bounds.east)
    assert found.south <= max(frame.south, WHOLE.bounds.south)
    assert found.north >= min(frame.north, WHOLE.north)


def test_ways_in_come_with_longitude_and_latitude() -> None:
    [way_in] = farm_relief(FAR).ways_in
    assert way_in.ambulance
    assert (way_in.x, way_in.y) == (600_970.0, 5_205_000.0)
    # EPSG:25832, 100 km east of its central meridian 9°E at 47°N
    assert way_in.lon == pytest.approx(10.33, abs=0.02)
    assert way_in.lat == pytest.approx(46.99, abs=0.02)


def test_block_means_pass_over_gaps() -> None:
    z = np.array([[1.0, 3.0, np.nan], [np.nan, np.nan, np.nan]])
    found = block_means(z, 2, 1, 2)
    assert found[0, 0] == 2.0
    assert np.isnan(found[0, 1])
