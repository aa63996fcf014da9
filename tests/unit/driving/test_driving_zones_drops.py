"""Drops closed for several machines in one pass, held to one pass per machine, and what they do to verdicts."""

from __future__ import annotations

import numpy as np
import pytest
from made import make_grid, plane, rough, terrace_above_wall, with_hole
from made_driving import MACHINE, drive_survey, farm, hazard, one, parcel
from shapely.geometry import box

from atlas.driving.closing import falls_for
from atlas.driving.drop_zones import drop_closures
from atlas.driving.records import Reason, Zone
from atlas.grid import Grid, Heights
from atlas.settings import parse
from atlas.terrain.drops import DropMap, find_drops
from atlas.terrain.slope import horn

DROPS = {"within_m": 20.0, "fall_m": 1.0}
EXTENTS = (0.95, 1.38, 1.72, 3.1, 6.4)


def found(heights: Heights, limit: float = 0.5) -> DropMap:
    walls = np.zeros(heights.grid.shape, dtype=np.bool_)
    return find_drops(heights, horn(heights), walls, limit, 20.0, 1.0)


@pytest.mark.parametrize("grid", [make_grid(60, 70), make_grid(40, 60, 1.5, 0.8)], ids=["square", "oblong"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_one_pass_closes_what_one_pass_per_machine_closes(grid: Grid, seed: int) -> None:
    drops = found(with_hole(rough(seed, grid, relief_m=30.0), 12, 15, 4, 3))
    assert drops.drop.any()
    inside = np.zeros(grid.shape, dtype=np.bool_)
    inside[8:-8, 20:-15] = True
    inside[18:24, 5:30] = True
    every, part = (falls_for(drops, EXTENTS, wanted) for wanted in (np.ones_like(inside), inside))
    for half in EXTENTS:
        alone = drop_closures(drops, half)
        np.testing.assert_array_equal(every[half].closed, alone.keep_out_reason.ravel())
        np.testing.assert_array_equal(part[half].closed, alone.keep_out_reason[inside])
        np.testing.assert_array_equal(part[half].below, alone.falls_reason[inside])


def test_a_terrace_above_a_wall_inside_a_field_is_closed_along_the_walls_top() -> None:
    grid = make_grid(60, 60)
    drive = one(drive_survey(terrace_above_wall(0.1, 3.0, grid), farm(drops=DROPS)))
    column = drive.zone[:, 30]
    top = 29  # the last row above the wall's edge
    # three metres high, so three metres back from the cell where it begins, and no nearer
    assert np.all(column[top - 2 : top + 1] == Zone.KEEP_OUT)
    assert column[top - 5] == Zone.ANY_WAY
    assert set(np.unique(drive.reason[top - 2, 10:-10])) == {Reason.DROP}
    assert np.all(column[top + 5 : top + 20] == Zone.ANY_WAY)  # the terrace below stays open


def test_above_a_drop_straight_up_and_down_is_hand_work_for_a_new_driver_and_named_for_a_practised_one() -> None:
    grid = make_grid(60, 60)
    both = {"practised": {"share": 1.0}, "new": {"share": 0.99}}
    settings = farm({"side_limit_pct": 20, "climb_limit_pct": 60}, drops=DROPS, drivers=both)
    survey = drive_survey(terrace_above_wall(0.4, 3.0, grid), settings)
    at = (20, 30)  # nine metres above the wall
    practised, new = one(survey), one(survey, driver="new")
    assert (practised.zone[at], practised.reason[at]) == (Zone.UP_DOWN, Reason.DROP_BELOW)
    assert (new.zone[at], new.reason[at]) == (Zone.ON_FOOT, Reason.DROP_BELOW)
    low = (50, 30)  # below the wall nothing falls away
    assert practised.zone[low] == new.zone[low] == Zone.UP_DOWN
    assert practised.reason[low] == Reason.SIDE


def test_a_larger_machine_keeps_farther_from_a_drop() -> None:
    grid = make_grid(60, 60)
    machines = {"m": MACHINE, "broad": {**MACHINE, "width_m": 8.0}}
    settings = parse({"machines": machines, "drops": DROPS, "terrain": {"dem_sigma_m": 0}})
    survey = drive_survey(terrace_above_wall(0.1, 1.5, grid), settings)
    small, broad = one(survey), one(survey, machine="broad")
    assert (small.zone[26, 30], broad.zone[26, 30]) == (Zone.ANY_WAY, Zone.KEEP_OUT)


def test_a_drop_past_the_fields_edge_closes_ground_inside_it() -> None:
    grid = make_grid(60, 60)
    b = grid.bounds
    upper = box(b.west + 10, (b.south + b.north) / 2 + 1.0, b.east - 10, b.north - 5)
    survey = drive_survey(terrace_above_wall(0.1, 3.0, grid), farm(drops=DROPS), field=parcel(upper))
    assert one(survey).zone[28, 30] == Zone.KEEP_OUT
    assert survey.drops.length_m > 30


def test_where_heights_end_below_the_edge_is_unknown_and_closed() -> None:
    grid = make_grid(60, 60)
    heights = with_hole(plane(0.1, 180.0, grid), 40, 0, 20, 60)
    survey = drive_survey(heights, farm(drops=DROPS))
    drive = one(survey)
    assert drive.reason[36, 30] == Reason.UNKNOWN_EDGE
    assert drive.zone[36, 30] == Zone.KEEP_OUT
    assert survey.drops.unknown_m > 30


def test_a_wall_marked_as_an_area_ends_a_slide() -> None:
    grid = make_grid(60, 60)
    b = grid.bounds
    shape = box(b.west + 20, b.south + 20, b.west + 40, b.south + 22)
    wall = hazard("obstacle", shape, reach_m=0.5, accuracy_m=0.0)
    both = {"practised": {"share": 1.0}, "new": {"share": 0.99}}
    settings = farm({"side_limit_pct": 20, "climb_limit_pct": 60}, drops=DROPS, drivers=both)
    survey = drive_survey(plane(0.4, 180.0, grid), settings, (wall,))
    above = (60 - 22 - 8, 30)
    assert one(survey).reason[above] == Reason.DROP_BELOW
    assert one(survey, driver="new").zone[above] == Zone.ON_FOOT
