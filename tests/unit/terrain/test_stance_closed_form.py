"""How a machine stands, held to algebra on ground whose tilt is known, and the kernel to its plain reading."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import bank, cone, make_grid, middle_xy, plane, ridge, rough, saddle, step, with_hole

from atlas.grid import Grid, Heights
from atlas.terrain.slope import horn
from atlas.terrain.stance import HEADINGS_DEG, Stance, stance, stance_plain, tilt_at_headings

TRACK, BASE = 1.9, 2.2
SQUARE, OBLONG, FINE = make_grid(30, 34), make_grid(26, 30, 1.0, 1.5), make_grid(60, 70, 0.5)
AZIMUTHS = [0.0, 17.0, 51.3, 90.0, 118.0, 163.2, 200.0, 239.5, 271.0, 333.0]  # most of them off the sixteen winds
GRADIENTS = [0.05, 0.18, 0.35, 0.5, 1.0]
PARTS = ("any_roll", "any_pitch", "any_stance", "fall_roll", "fall_pitch", "fall_stance")


def stand(heights: Heights, track: float = TRACK, base: float = BASE) -> Stance:
    everywhere = np.ones(heights.grid.shape, dtype=np.float32)
    return stance(heights.z, horn(heights), everywhere, track_m=track, wheelbase_m=base)


def stand_plain(heights: Heights, track: float = TRACK, base: float = BASE) -> Stance:
    everywhere = np.ones(heights.grid.shape, dtype=np.float32)
    return stance_plain(heights.z, horn(heights), everywhere, track_m=track, wheelbase_m=base)


def assert_same(found: Stance, plain: Stance, tolerance: float = 1e-6) -> None:
    for part in PARTS:
        np.testing.assert_allclose(getattr(found, part), getattr(plain, part), atol=tolerance, rtol=1e-6)


def inner(grid: Grid) -> tuple[slice, slice]:
    """Cells where every wheel has a height whatever the heading."""
    r = math.ceil(math.hypot(TRACK, BASE) / 2 / grid.cell_y) + 1
    c = math.ceil(math.hypot(TRACK, BASE) / 2 / grid.cell_x) + 1
    return np.s_[r:-r, c:-c]


@pytest.mark.parametrize("grid", [SQUARE, OBLONG, FINE], ids=["square", "oblong", "half-metre"])
@pytest.mark.parametrize("azimuth", AZIMUTHS)
@pytest.mark.parametrize("gradient", GRADIENTS)
def test_on_a_plane_roll_and_pitch_are_the_sine_and_cosine_of_the_heading(
    grid: Grid, azimuth: float, gradient: float
) -> None:
    heights = plane(gradient, azimuth, grid)
    gx = horn(heights)
    slope = gx.steepness
    with np.errstate(invalid="ignore"):
        roll, pitch = tilt_at_headings(
            heights.z, -gx.gx / slope, -gx.gy / slope, grid.cell_x, grid.cell_y, TRACK, BASE
        )
    angle = np.radians(HEADINGS_DEG)
    at = inner(grid)
    for k in range(len(HEADINGS_DEG)):
        np.testing.assert_allclose(roll[k][at], gradient * abs(math.sin(angle[k])), atol=1e-9)
        np.testing.assert_allclose(pitch[k][at], gradient * abs(math.cos(angle[k])), atol=1e-9)
    found = stand(heights)
    expected = {
        "any_roll": gradient,
        "any_pitch": gradient,
        "any_stance": gradient,
        "fall_roll": gradient * math.sin(math.radians(15)),
        "fall_pitch": gradient,
        "fall_stance": gradient,
    }
    for part, value in expected.items():
        np.testing.assert_allclose(getattr(found, part)[at], value, atol=1e-4)


def test_sixteen_winds_and_fifteen_degrees_beside_straight_up_and_down() -> None:
    both_ways = {h % 360 for h in HEADINGS_DEG} | {(h + 180) % 360 for h in HEADINGS_DEG}
    assert both_ways == {22.5 * k for k in range(16)} | {15.0, 345.0, 165.0, 195.0}


@pytest.mark.parametrize("downhill", [0.0, 90.0])
def test_level_ground_has_no_fall_line_so_up_or_down_may_be_any_heading(downhill: float) -> None:
    found = stand(plane(0.029, downhill, SQUARE))
    at = inner(SQUARE)
    np.testing.assert_allclose(found.fall_roll[at], 0.029, atol=1e-4)
    assert stand(plane(0.031, downhill, SQUARE)).fall_roll[at].max() < 0.01


@pytest.mark.parametrize("height", [0.1, 0.3, 0.6, 1.0])
def test_beside_a_step_the_whole_step_is_under_one_wheel_or_one_axle(height: float) -> None:
    heights = step(height, FINE)
    found = stand(heights)
    beside = np.s_[29:31, 10:-10]  # the two rows of cells that touch the step's edge
    np.testing.assert_allclose(found.any_roll[beside], height / TRACK, atol=1e-4)
    np.testing.assert_allclose(found.any_pitch[beside], height / BASE, atol=1e-4)


def test_three_metres_from_a_step_nothing_of_it_is_felt() -> None:
    found = stand(step(1.0, FINE))
    assert found.any_stance[20, 20] == pytest.approx(0.0, abs=1e-9)  # 4.75 m north of it


def test_a_bank_shorter_than_the_machine_tilts_it_less_than_the_bank_is_steep() -> None:
    found = stand(bank(0.5, 1.0, FINE))  # half a metre high and wide
    middle = np.s_[28:32, 20:-20]
    assert found.any_roll[middle].max() == pytest.approx(0.5 / TRACK, abs=1e-3)
    assert horn(bank(0.5, 1.0, FINE)).steepness[middle].max() > 0.45


def test_a_long_bank_tilts_it_as_much_as_the_bank_is_steep() -> None:
    found = stand(bank(4.0, 0.6, FINE))  # 6.7 m wide
    np.testing.assert_allclose(found.any_roll[29:31, 20:-20], 0.6, atol=1e-4)


def test_on_a_cone_straight_down_pitches_by_the_cones_own_heights() -> None:
    grid = make_grid(240, 240, 0.25)
    gradient = 0.5
    heights = cone(gradient, grid)
    found = stand(heights)
    x, y = middle_xy(grid)
    far = np.hypot(x, y)
    ring = (far > 12) & (far < 26)
    front = np.hypot(far + BASE / 2, TRACK / 2)
    rear = np.hypot(far - BASE / 2, TRACK / 2)
    straight = gradient * (front - rear) / BASE
    # between cell centres a cone of radius 12 m bends by less than g·cell²/(8·r) = 0.3 mm
    assert np.all(found.fall_pitch[ring] >= straight[ring] - 4e-4)
    np.testing.assert_allclose(found.fall_pitch[ring], straight[ring], atol=4e-4)
    np.testing.assert_allclose(found.any_roll[ring], gradient, atol=3e-3)


def test_in_the_middle_of_a_saddle_a_machine_twists_without_pitching() -> None:
    grid = make_grid(81, 81, 0.1)
    curve = 0.2
    found = stand(saddle(curve, grid))
    # diagonal to the saddle both axles tilt opposite ways by curve·L/2; opposite wheels stand at equal heights
    assert found.any_roll[40, 40] == pytest.approx(curve * BASE / 2, abs=1e-3)
    assert found.any_pitch[40, 40] == pytest.approx(0.0, abs=1e-6)


def test_astride_a_ridge_roll_and_pitch_cancel_but_beside_it_they_do_not() -> None:
    found = stand(ridge(0.8, make_grid(41, 41)))
    assert found.any_roll[20, 20] < found.any_roll[20, 22]
    assert found.any_roll[20, 25] == pytest.approx(0.8, abs=1e-4)


@pytest.mark.parametrize("grid", [make_grid(40, 45), make_grid(30, 40, 0.7, 1.1), make_grid(40, 44, 0.5)])
@pytest.mark.parametrize("wheels", [(1.9, 2.2), (1.1, 0.7), (2.4, 3.0)])
def test_kernel_and_plain_reading_agree_on_rough_ground_with_gaps(grid: Grid, wheels: tuple[float, float]) -> None:
    heights = with_hole(with_hole(rough(3, grid), 8, 9), 20, 22, 3, 2)
    assert_same(stand(heights, *wheels), stand_plain(heights, *wheels))


def test_kernel_and_plain_reading_agree_where_wheels_stand_on_lines_of_cell_centres() -> None:
    heights = with_hole(plane(0.3, 90.0, make_grid(20, 20)), 10, 10)
    found, plain = stand(heights, 2.0, 2.0), stand_plain(heights, 2.0, 2.0)
    assert_same(found, plain)
    assert np.isnan(found.any_roll[10, 11])
    assert np.isnan(found.any_roll[10, 9])


def test_a_gap_closes_alike_in_all_four_directions() -> None:
    z = with_hole(plane(0.0, 0.0, make_grid(21, 21)), 10, 10).z
    grid = make_grid(21, 21)
    missing = np.isnan(stand(Heights(grid, z), 2.0, 2.0).any_roll)
    for turns in (1, 2, 3):
        np.testing.assert_array_equal(missing, np.rot90(missing, turns))
    assert missing.sum() > 9  # more than Horn alone loses


def test_only_covered_cells_are_worked_out() -> None:
    heights = plane(0.3, 90.0, SQUARE)
    covered = np.zeros(SQUARE.shape, dtype=np.float32)
    covered[10:12, 10:15] = 0.01
    found = stance(heights.z, horn(heights), covered, track_m=TRACK, wheelbase_m=BASE)
    assert np.isfinite(found.any_roll).sum() == 10


def test_beyond_the_edge_of_the_heights_a_wheel_has_no_height() -> None:
    found = stand(plane(0.3, 200.0, SQUARE))
    assert np.isnan(found.any_roll[1, :]).all()
    assert np.isfinite(found.any_roll[2:-2, 2:-2]).all()


@settings(max_examples=25, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10_000), turns=st.integers(1, 3), cell=st.sampled_from([0.5, 1.0]))
def test_turning_the_ground_turns_the_stance_with_it(seed: int, turns: int, cell: float) -> None:
    grid = make_grid(24, 24, cell)
    heights = with_hole(rough(seed, grid, relief_m=6.0), 11, 13)
    turned = Heights(grid, np.ascontiguousarray(np.rot90(heights.z, turns)))
    found, after = stand(heights), stand(turned)
    for part in PARTS:
        np.testing.assert_allclose(np.rot90(getattr(found, part), turns), getattr(after, part), atol=1e-5)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10_000), lift=st.floats(-2000, 4000))
def test_lifting_the_ground_changes_nothing(seed: int, lift: float) -> None:
    heights = rough(seed, make_grid(16, 16))
    assert_same(stand(heights), stand(Heights(heights.grid, heights.z + lift)), tolerance=1e-6)
