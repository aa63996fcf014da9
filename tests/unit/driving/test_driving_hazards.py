"""What each marking closes, how far, and for whom, measured cell by cell from the marking."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from made import make_grid, plane
from made_driving import MACHINE, NO_DROPS, drive_survey, farm, field_of, hazard, middle_of, one, parcel, resolved
from shapely.geometry import LineString, MultiPoint, Point, box

from atlas.driving.hazards import distances
from atlas.driving.records import Reason, TaggedHazard, Zone
from atlas.farm.records import Hazard, HazardKind, Release
from atlas.grid import Floats, Grid
from atlas.settings import parse

GRID = make_grid(90, 90)
GENTLE = plane(0.05, 123.0, GRID)
HALF = resolved(farm()).machines["m"].half_extent_m
MIDDLE = middle_of(GRID)


def metres_from(marking: Hazard, grid: Grid = GRID) -> Floats:
    xs, ys = np.meshgrid(grid.xs, grid.ys)
    points = [Point(x, y).distance(marking.shape) for x, y in zip(xs.ravel(), ys.ravel(), strict=True)]
    return np.array(points).reshape(grid.shape)


def closed_to(marking: Hazard, zone: Zone, *, ground: str = "firm", stormed: bool = False) -> float:
    """Metres from the marking to the farthest cell it closed; every nearer cell must be closed too."""
    drive = one(drive_survey(GENTLE, farm(), (marking,), stormed=stormed), ground)
    hit = (drive.zone == zone) & (drive.reason == Reason.TAG + 1)
    far = metres_from(marking)
    inner = np.s_[6:-6, 6:-6]
    reach = float(far[inner][hit[inner]].max())
    assert np.all(hit[inner][far[inner] <= reach])
    assert np.all(drive.zone[inner][far[inner] > reach] == Zone.ANY_WAY)
    return reach


def test_half_the_extent_is_half_the_larger_of_width_and_diagonal() -> None:
    assert pytest.approx(np.hypot(1.9, 2.2) / 2) == HALF
    assert resolved(farm({"width_m": 3.2})).machines["m"].half_extent_m == 1.6


@pytest.mark.parametrize("kind", ["obstacle", "overhead_line", "no_go", "slip", "unstable_bank"])
@pytest.mark.parametrize(
    "shape",
    [
        MIDDLE,
        LineString([(MIDDLE.x - 9, MIDDLE.y - 4), (MIDDLE.x + 8, MIDDLE.y + 11)]),
        box(MIDDLE.x - 6, MIDDLE.y - 3, MIDDLE.x + 5, MIDDLE.y + 7),
        MultiPoint([(MIDDLE.x - 12, MIDDLE.y), (MIDDLE.x + 12, MIDDLE.y)]),
    ],
    ids=["point", "line", "area", "points"],
)
def test_a_marking_keeps_the_machines_nearest_part_away(kind: HazardKind, shape: Point) -> None:
    marking = hazard(kind, shape, reach_m=6.0, accuracy_m=1.5)
    assert closed_to(marking, Zone.KEEP_OUT) == pytest.approx(6.0 + 1.5 + HALF, abs=0.35)


def test_the_distance_is_exact_not_to_the_nearest_cell() -> None:
    """A straight line along the grid: the last closed row is the last whose middle is within the distance."""
    y = GRID.ys[45]
    marking = hazard("obstacle", LineString([(GRID.west, y), (GRID.west + 90, y)]), reach_m=3.0, accuracy_m=1.0)
    zone = one(drive_survey(GENTLE, farm(), (marking,))).zone[:, 45]
    limit = 3.0 + 1.0 + HALF
    for row in range(8, 82):
        assert (zone[row] == Zone.KEEP_OUT) == (abs(GRID.ys[row] - y) <= limit)


def test_a_forest_edge_is_hand_work_without_the_machines_extent() -> None:
    edge = LineString([(GRID.west + 10, MIDDLE.y), (GRID.west + 80, MIDDLE.y + 3)])
    assert closed_to(hazard("forest_edge", edge, reach_m=4.0, accuracy_m=1.0), Zone.ON_FOOT) == pytest.approx(
        5.0, abs=0.15
    )


def test_a_forest_edge_without_a_reach_of_its_own_gets_the_farms_strip() -> None:
    edge = LineString([(GRID.west + 10, MIDDLE.y), (GRID.west + 80, MIDDLE.y)])
    marking = hazard("forest_edge", edge, reach_m=3.0, accuracy_m=0.0, assumed=("reach_m",))
    drive = one(drive_survey(GENTLE, farm(on_foot={"strip_m": 6}), (marking,)))
    assert drive.zone[45 - 6, 45] == Zone.ON_FOOT
    assert drive.zone[45 - 8, 45] == Zone.ANY_WAY


@pytest.mark.parametrize(
    ("depth", "ground", "unconfirmed", "stormed", "keep"),
    [
        (None, "firm", False, False, 5.0),
        (3.0, "firm", False, False, 5.0),  # its own reach is more
        (8.0, "firm", False, False, 8.0),
        (8.0, "wet", False, False, 16.0),
        (8.0, "firm", True, False, 16.0),
        (8.0, "firm", False, True, 16.0),
    ],
)
def test_from_a_bank_keep_as_far_as_it_is_deep_twice_on_wet_ground_or_after_a_storm(
    depth: float | None, ground: str, unconfirmed: bool, stormed: bool, keep: float
) -> None:
    marking = hazard("unstable_bank", MIDDLE, depth_m=depth, accuracy_m=1.0, unconfirmed=unconfirmed)
    found = closed_to(marking, Zone.KEEP_OUT, ground=ground, stormed=stormed)
    assert found == pytest.approx(keep + 1.0 + HALF, abs=0.35)


def test_once_released_after_the_storm_a_bank_needs_its_depth_again() -> None:
    marking = hazard("unstable_bank", MIDDLE, depth_m=8.0)
    day = datetime(2026, 5, 3, tzinfo=UTC)
    release = Release("f", "firm", "L", day, day.replace(day=4))
    soaked = one(drive_survey(GENTLE, farm(), (marking,), stormed=True))
    released = one(drive_survey(GENTLE, farm(), (marking,), stormed=True, release=release))
    assert released.keep_out_m2 < soaked.keep_out_m2


@pytest.mark.parametrize(
    ("severity", "unconfirmed", "closed"), [(2, False, False), (2, True, True), (3, True, True)]
)
def test_an_unconfirmed_wet_spot_counts_one_worse(severity: int, unconfirmed: bool, closed: bool) -> None:
    marking = hazard("wet_spot", MIDDLE, severity, unconfirmed=unconfirmed)
    drive = one(drive_survey(GENTLE, farm(), (marking,)))
    assert (drive.zone[45, 45] == Zone.KEEP_OUT) == closed


def test_a_marking_outside_the_field_closes_ground_inside_it() -> None:
    field = parcel(box(GRID.west + 20, GRID.bounds.south + 20, GRID.west + 70, GRID.north - 20))
    outside = hazard("obstacle", Point(GRID.west + 17, MIDDLE.y), reach_m=5.0, accuracy_m=2.0)
    survey = drive_survey(GENTLE, farm(), (outside,), field=field)
    assert one(survey).zone[45, 21] == Zone.KEEP_OUT
    assert survey.hazards[0].at_x == GRID.west + 17


def test_a_marking_out_of_reach_gets_no_tag() -> None:
    field = parcel(box(GRID.west + 20, GRID.bounds.south + 20, GRID.west + 70, GRID.north - 20))
    far, near = (hazard("obstacle", Point(GRID.west + x, MIDDLE.y), reach_m=3.0) for x in (5, 18))
    survey = drive_survey(GENTLE, farm(), (far, near), field=field)
    assert [(t.tag, t.hazard) for t in survey.hazards] == [(1, near)]


def test_tags_follow_the_files_order_and_stand_in_the_field() -> None:
    line = LineString([(GRID.west - 40, MIDDLE.y), (GRID.west + 60, MIDDLE.y)])
    survey = drive_survey(GENTLE, farm(), (hazard("wet_spot", MIDDLE), hazard("forest_edge", line)))
    assert [t.tag for t in survey.hazards] == [1, 2]
    field = field_of(GRID).shape
    for tagged in survey.hazards:
        assert field.covers(Point(tagged.at_x, tagged.at_y))
        assert tagged.place
    assert survey.hazards[0].at_lon == pytest.approx(10.3, abs=0.1)  # 600 km east in zone 32 at 47° north
    assert survey.hazards[0].at_lat == pytest.approx(46.9, abs=0.1)


def test_the_ground_to_keep_off_is_drawn_without_the_machine() -> None:
    survey = drive_survey(GENTLE, farm(), (hazard("obstacle", MIDDLE, reach_m=4.0, accuracy_m=2.0),))
    assert survey.hazards[0].keep_off.area == pytest.approx(np.pi * 6**2, rel=0.02)


def test_a_wider_machine_keeps_farther_away() -> None:
    machines = {"m": MACHINE, "broad": {**MACHINE, "width_m": 6.0}}
    settings = parse({"machines": machines, "terrain": {"dem_sigma_m": 0}, "drops": NO_DROPS})
    survey = drive_survey(GENTLE, settings, (hazard("obstacle", MIDDLE, reach_m=4.0),))
    assert one(survey, machine="broad").keep_out_m2 > one(survey, machine="m").keep_out_m2


def test_steep_ground_stays_closed_under_a_forest_edge() -> None:
    steep = plane(0.9, 200.0, GRID)
    edge = LineString([(GRID.west, MIDDLE.y), (GRID.west + 90, MIDDLE.y)])
    drive = one(drive_survey(steep, farm(), (hazard("forest_edge", edge),)))
    assert drive.zone[45, 45] == Zone.KEEP_OUT
    assert drive.reason[45, 45] == Reason.ON_FOOT


def test_where_two_markings_close_a_cell_the_lower_number_is_named() -> None:
    survey = drive_survey(GENTLE, farm(), (hazard("no_go", MIDDLE, reach_m=3.0), hazard("slip", MIDDLE)))
    assert one(survey).reason[45, 45] == Reason.TAG + 1


def test_on_two_wet_spots_the_deeper_counts() -> None:
    settings = farm({"side_limit_pct": 40, "climb_limit_pct": 100}, grounds={"wet": {"grip": 1.2}})
    both = (hazard("wet_spot", MIDDLE, 1), hazard("wet_spot", MIDDLE, 2))
    drive = one(drive_survey(plane(0.36, 200.0, GRID), settings, both), "wet")  # 0.36 + 0.05/1.9 is within 0.40
    assert (drive.zone[45, 45], drive.reason[45, 45]) == (Zone.UP_DOWN, Reason.TAG + 2)


def test_more_markings_than_a_byte_can_tell_apart_still_close_ground() -> None:
    many = tuple(hazard("slip", Point(MIDDLE.x + 0.01 * i, MIDDLE.y), reach_m=1.0) for i in range(240))
    last = hazard("slip", Point(MIDDLE.x + 25, MIDDLE.y), reach_m=1.0)
    drive = one(drive_survey(GENTLE, farm(), (*many, last)))
    assert drive.zone[45, 70] == Zone.KEEP_OUT
    assert drive.reason[45, 70] == 255


@pytest.mark.parametrize("cells", [(1.0, 1.0), (0.5, 2.0), (3.0, 1.0)])
@pytest.mark.parametrize("seed", range(4))
def test_blocks_that_are_passed_over_hold_no_cell_that_is_near(cells: tuple[float, float], seed: int) -> None:
    """Distances to markings of all shapes, cell by cell: none is left out, none is other than it was."""
    draw = np.random.default_rng(seed)
    grid = make_grid(61, 83, *cells)
    inside = np.flatnonzero(draw.random(grid.shape) < 0.8)
    places = [(grid.west + x, grid.north - y) for x, y in draw.uniform(-20, 180, (9, 2))]
    shapes = [LineString(places[:4]), Point(places[4]), MultiPoint(places[4:]), Point(places[0]).buffer(25)]
    markings = [hazard("obstacle", shape, reach_m=float(draw.uniform(0, 9))) for shape in shapes]
    settings = parse({})
    tagged = [TaggedHazard(i + 1, h, 0, 0, 0, 0, "", h.shape) for i, h in enumerate(markings)]
    for found, marking in zip(distances(grid, inside, tagged, settings, 1.5), markings, strict=True):
        far = marking.reach_m + marking.accuracy_m + 1.5 + grid.cell_m
        metres = metres_from(marking, grid).ravel()[inside]
        np.testing.assert_array_equal(found.cells, np.flatnonzero(metres <= far))
        np.testing.assert_array_equal(found.metres, metres[metres <= far])
