"""A height that stands out as no ground does counts as not measured, and is said; cliffs and hills stay."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import open_terrain
import pytest
import quick_farm
from farm_files import farm_file, fields, hill_cells, patch, write_tif
from hypothesis import given, settings
from hypothesis import strategies as st
from made import bank, make_grid, middle_xy, rough, step, with_hole
from rasterio.transform import from_origin

from atlas.driving.machines import rig
from atlas.farm import demo, spikes
from atlas.farm.inspecting import inspect
from atlas.farm.opening import open_farm
from atlas.grid import Bounds, Floats
from atlas.settings import Settings
from atlas.survey import survey_field

PLACE = from_origin(600_000.0, 5_200_000.0, 1.0, 1.0)
NOW = datetime(2026, 5, 3, tzinfo=UTC)


def found(z: Floats, cell_m: float = 1.0) -> int:
    mask = spikes.spikes(z, cell_m)
    return 0 if mask is None else int(mask.sum())


@pytest.mark.parametrize("by", [12.0, -12.0, 400.0, -3_000.0])
@pytest.mark.parametrize("side", [1, 3, 5])
def test_a_patch_that_stands_out_is_found(by: float, side: int) -> None:
    z = rough(3).z.copy()
    z[40 : 40 + side, 50 : 50 + side] += by
    mask = spikes.spikes(z, 1.0)
    assert mask is not None
    assert mask[40 : 40 + side, 50 : 50 + side].all()
    assert mask.sum() == side * side


def test_scattered_numbers_are_found_one_by_one() -> None:
    """A broken tile leaves cells that stand out of each other too."""
    z = rough(3).z.copy()
    z[30:50, 30:60] = np.random.default_rng(1).uniform(-8_000, 8_000, (20, 30))
    assert found(z) > 580


def test_a_spike_beside_a_gap_is_found() -> None:
    z = with_hole(rough(3), 40, 51, 3, 3).z.copy()
    z[41, 50] += 50
    assert found(z) == 1


def test_ground_stays() -> None:
    grid = make_grid()
    x, y = middle_xy(grid)
    tower = np.where((np.abs(x) < 3) & (np.abs(y) < 3), 540.0, 500.0)  # six cells wide: 36 are no spike
    for z in (
        step(60).z,
        bank(40, 8.0).z,
        rough(5).z,
        rough(6, relief_m=60).z,
        tower,
        with_hole(step(60), 30, 30).z,
    ):
        assert found(z) == 0
    z = rough(3).z.copy()
    z[40, 50] += spikes.LEAST_STEP_M * 0.8
    assert found(z) == 0


def test_coarse_cells_may_step_further() -> None:
    z = rough(3).z.copy()
    z[40, 50] += 30
    assert found(z, 5.0) == 1
    assert found(z, 10.0) == 0


def test_what_reaches_the_edge_of_a_window_is_ground() -> None:
    z = rough(3).z.copy()
    z[0, 50] += 100
    z[:2, 70] += 100
    assert found(z) == 0


@given(seed=st.integers(0, 10_000), share=st.floats(0, 0.3), gaps=st.floats(0, 0.2))
@settings(max_examples=40, deadline=None)
def test_the_kernel_is_the_plain_reading(seed: int, share: float, gaps: float) -> None:
    draw = np.random.default_rng(seed)
    z = np.cumsum(draw.normal(0, 2, (24, 30)), axis=0) + 500
    z[draw.random(z.shape) < share] += draw.choice([-60.0, 14.0, 200.0])
    z[draw.random(z.shape) < gaps] = np.nan
    mask = spikes.spikes(z, 1.0)
    assert np.array_equal(np.zeros(z.shape, bool) if mask is None else mask, spikes.spikes_plain(z, 1.0))


def test_no_false_alarm_on_the_demo_and_on_an_open_terrain_model(tmp_path: Path) -> None:
    demo.make_demo(tmp_path / "demo.gpkg", 8)
    farm = open_farm(tmp_path / "demo.gpkg", Settings(), NOW)
    for parcel in farm.parcels:
        assert farm.terrain.read(Bounds(*parcel.shape.bounds), 200.0).implausible == 0
    heights = open_terrain.read_heights(open_terrain.write_metric(tmp_path / "open.tif", 60.0, 90.0))
    assert found(heights.z, heights.grid.cell_m) == 0


def test_a_turned_bit_without_a_sum_is_not_measured_and_said(tmp_path: Path) -> None:
    """One bit of a float's exponent in a raster beside the farm file: by `inspect`, and on the field's sheet."""
    z = hill_cells(PLACE, 300, 400).astype(np.float32)
    z.view(np.uint32)[60, 70] ^= 1 << 23
    write_tif(tmp_path / "hill.tif", z, PLACE)
    path = farm_file(tmp_path, parcels=fields([patch(20, 20, 100, 80)]))
    told = "1 height in or around it cannot be true and counts as not measured, the first at 600070.5, 5199939.5"
    assert f"field 'F1': {told}." in inspect(path, Settings()).notes
    quick = quick_farm.settings()
    farm = open_farm(path, quick, NOW)
    survey = survey_field(farm, farm.parcels[0], quick, rig(quick))
    assert told in survey.remarks
    assert 1.0 <= survey.terrain.figures.unsurveyed_m2 <= 9.0
