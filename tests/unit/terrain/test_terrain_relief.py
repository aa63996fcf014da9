"""What only the map needs: contour lines, shading, and the profile down the steepest line."""

from __future__ import annotations

import numpy as np
import pytest
from made import bowl, cone, gully, irregular, make_grid, middle_xy, plane, rectangle, rough, with_hole
from shapely.geometry import LineString

from atlas.grid import Heights
from atlas.terrain.contours import contours, interval_for
from atlas.terrain.coverage import covered_fractions
from atlas.terrain.figures import Profile
from atlas.terrain.profile import steepest_profile
from atlas.terrain.shading import UNKNOWN_GREY, shade
from atlas.terrain.slope import horn

GRID = make_grid(80, 100)
FIELD = rectangle(GRID, 20, 20, 80, 60)


@pytest.mark.parametrize(
    ("relief", "interval"),
    [(0.0, 0.5), (4.0, 0.5), (10.0, 0.5), (10.1, 1.0), (20.1, 2.0), (40.1, 5.0), (100.1, 10.0), (9e9, 500.0)],
)
def test_the_interval_follows_the_relief(relief: float, interval: float) -> None:
    assert interval_for(relief) == interval


def test_a_plane_has_straight_lines_at_its_own_heights() -> None:
    found = contours(plane(0.4, 180.0), FIELD, relief_m=16.0)
    assert found.interval_m == 1.0
    assert [c.height_m for c in found.lines] == [float(h) for h in range(488, 513)]
    assert [c.height_m for c in found.lines if c.index] == [490.0, 495.0, 500.0, 505.0, 510.0]
    middle = GRID.north - 40
    for c in found.lines:
        ys = {round(y, 6) for _, y in c.line.coords}
        assert ys == {round(middle + (c.height_m - 500) / 0.4, 6)}


def test_lines_end_ten_metres_beyond_the_field_and_where_nothing_is_measured() -> None:
    found = contours(with_hole(plane(0.4, 180.0), 30, 45, 20, 10), FIELD, relief_m=16.0)
    reach = FIELD.buffer(10.001)
    assert all(reach.contains(c.line) for c in found.lines)
    hole = rectangle(GRID, 45, 30, 55, 50)
    assert not any(c.line.intersects(hole.buffer(-0.01)) for c in found.lines)
    assert sum(c.height_m == 500.0 for c in found.lines) == 2


def test_a_bowl_has_rings_and_the_same_ones_every_time() -> None:
    heights = bowl(0.02)
    found = contours(heights, FIELD, relief_m=9.0)
    rings = [c.line for c in found.lines if c.line.is_closed]
    x, y = GRID.west + 50, GRID.north - 40
    for c in found.lines:
        far = [np.hypot(a - x, b - y) for a, b in c.line.coords]
        assert max(far) == pytest.approx(np.sqrt(2 * (c.height_m - 500) / 0.02), abs=0.15)
    assert len(rings) > 5
    assert contours(heights, FIELD, relief_m=9.0) == found


def test_a_speck_of_noise_draws_no_line() -> None:
    heights = plane(0.0, base_m=500.4)
    heights.z[40, 50] += 0.2
    assert contours(heights, FIELD, relief_m=0.2).lines == ()
    heights.z[36:44, 46:54] += 0.2
    assert [c.height_m for c in contours(heights, FIELD, relief_m=0.4).lines] == [500.5]


def test_level_ground_between_two_heights_has_no_line() -> None:
    assert contours(plane(0.0, base_m=500.2), FIELD, relief_m=0.0).lines == ()


def test_no_heights_no_lines() -> None:
    heights = Heights(GRID, np.full(GRID.shape, np.nan))
    assert contours(heights, FIELD, 0.0).lines == ()


def test_shading_is_pale_on_level_ground_and_darker_away_from_the_light() -> None:
    level = shade(horn(plane(0.0)))[1:-1, 1:-1]
    assert level.min() == level.max() > 200
    to_light, from_light = (int(shade(horn(plane(0.6, turn)))[5, 5]) for turn in (20.0, 200.0))
    assert to_light > level[0, 0] > from_light
    assert from_light < to_light - 60


def test_no_steep_side_is_lost_in_the_light_or_in_the_dark() -> None:
    """Neighbouring sides of an eight-sided hill differ by at least 4 of 255 steps, or share a mirror axis."""
    sides = [int(shade(horn(plane(0.5, turn)))[5, 5]) for turn in range(0, 360, 45)]
    assert len(set(sides)) >= 6
    assert min(sides) > 60


def test_unknown_ground_is_one_flat_grey() -> None:
    found = shade(horn(with_hole(plane(0.3), 20, 20)))
    assert (found[19:22, 19:22] == UNKNOWN_GREY).all()


def _profile(heights: Heights) -> Profile:
    found = steepest_profile(heights, horn(heights), covered_fractions(FIELD, heights.grid))
    assert found is not None
    return found


@pytest.mark.parametrize("downhill", [180.0, 90.0, 0.0, 200.0, 157.5, 213.0])
def test_on_a_plane_the_profile_runs_straight_down_with_the_planes_own_gradient(downhill: float) -> None:
    found = _profile(plane(0.3, downhill))
    run, fall = found.along_m[-1], found.height_m[0] - found.height_m[-1]
    # a way from cell to cell keeps within a cell of the true fall line, so its length is a little more than that
    assert 0.3 * 0.99 <= fall / run <= 0.3 + 1e-9
    assert (np.diff(found.height_m) < 0).all()
    assert found.along_m[0] == 0
    assert found.line.length == pytest.approx(run)


def test_in_a_straight_direction_it_spans_the_field() -> None:
    found = _profile(plane(0.3, 180.0))
    assert found.along_m[-1] == pytest.approx(39.0)  # first to last of forty cell middles
    assert found.height_m[0] - found.height_m[-1] == pytest.approx(0.3 * 39)


def test_it_starts_at_the_top_of_a_hill_and_ends_at_its_foot() -> None:
    found = _profile(cone(0.4))
    assert found.height_m[0] > 499.0  # within two cells of the tip
    assert found.height_m[-1] < 500 - 0.4 * 28


def test_it_passes_a_hollow_instead_of_ending_in_it() -> None:
    heights = plane(0.2, 180.0)
    x, y = middle_xy(GRID)
    dented = Heights(GRID, heights.z - 1.5 * np.exp(-(x**2 + y**2) / 16))
    found = _profile(dented)
    assert found.height_m[0] - found.height_m[-1] == pytest.approx(0.2 * 39, abs=0.5)


def test_it_stays_in_the_field_and_follows_the_gully() -> None:
    found = _profile(gully(0.3, 0.05))
    assert FIELD.buffer(0.01).contains(found.line)
    last = LineString(found.line.coords[-2:])
    assert abs(last.coords[-1][0] - (GRID.west + 50)) <= 1.0


def test_level_ground_and_unmeasured_ground_have_none() -> None:
    covered = covered_fractions(FIELD, GRID)
    for heights in (plane(0.0), Heights(GRID, np.full(GRID.shape, np.nan))):
        assert steepest_profile(heights, horn(heights), covered) is None


def test_on_rough_ground_it_is_the_same_every_time() -> None:
    covered = covered_fractions(irregular(2, GRID, 0.3), GRID)
    heights = rough(7)
    first, again = (steepest_profile(heights, horn(heights), covered) for _ in range(2))
    assert first is not None
    assert again is not None
    np.testing.assert_array_equal(first.height_m, again.height_m)
    assert first.line.equals(again.line)
