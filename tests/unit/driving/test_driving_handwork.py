"""Hand work along forest edges: lengths, areas and hours in closed form."""

from __future__ import annotations

import math

import pytest
from shapely import affinity
from shapely.geometry import LineString, MultiLineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from atlas.driving.handwork import hand_work
from atlas.farm.records import Hazard, HazardKind
from atlas.settings import OnFootTable

FIELD = box(0, 0, 200, 100)
RATE = OnFootTable()  # 3 m, 400 m² an hour


def edge(
    shape: BaseGeometry, reach: float = 3.0, kind: HazardKind = "forest_edge", assumed: bool = False
) -> Hazard:
    missing = ("reach_m",) if assumed else ()
    return Hazard("h", kind, 1, reach, 2.0, None, "", None, None, "", shape, assumed=missing)


def test_an_edge_along_the_boundary() -> None:
    work = hand_work(FIELD, [edge(LineString([(20, 100), (180, 100)]))], RATE)
    assert work.edge_m == pytest.approx(160)
    assert work.strip_m2 == pytest.approx(160 * 3)
    assert work.hours == pytest.approx(160 * 3 / 400)


@pytest.mark.parametrize(("aside", "deep"), [(0.0, 3.0), (1.0, 2.0), (2.9, 0.1), (-1.0, 4.0), (-3.0, 6.0)])
def test_an_edge_drawn_beside_the_boundary_counts_for_what_it_leaves_inside(aside: float, deep: float) -> None:
    work = hand_work(FIELD, [edge(LineString([(20, 100 + aside), (180, 100 + aside)]))], RATE)
    assert work.edge_m == pytest.approx(160)
    assert work.strip_m2 == pytest.approx(160 * deep)


def test_an_edge_that_runs_on_past_the_field_counts_only_beside_it() -> None:
    work = hand_work(FIELD, [edge(LineString([(-50, 101), (260, 101)]))], RATE)
    assert work.edge_m == pytest.approx(200)
    assert work.strip_m2 == pytest.approx(200 * 2)


def test_an_edge_too_far_away_counts_nothing() -> None:
    assert hand_work(FIELD, [edge(LineString([(20, 104), (180, 104)]))], RATE).edge_m == 0


def test_an_edge_that_runs_through_the_field_leaves_a_strip_on_both_sides() -> None:
    work = hand_work(FIELD, [edge(LineString([(100, -20), (100, 120)]))], RATE)
    assert work.edge_m == pytest.approx(100)
    assert work.strip_m2 == pytest.approx(100 * 6)


@pytest.mark.parametrize("turn", [0, 17, 90, 133, 245])
def test_turning_field_and_edge_changes_nothing(turn: float) -> None:
    line = LineString([(0, 100), (90, 96), (150, 101), (230, 99)])
    here = hand_work(FIELD, [edge(line)], RATE)
    field = affinity.rotate(FIELD, turn, origin=(0, 0))
    assert isinstance(field, Polygon)
    there = hand_work(field, [edge(affinity.rotate(line, turn, origin=(0, 0)))], RATE)
    assert there.edge_m == pytest.approx(here.edge_m)
    assert there.strip_m2 == pytest.approx(here.strip_m2)


def test_strips_that_overlap_are_raked_once() -> None:
    along, across = LineString([(0, 100), (200, 100)]), LineString([(200, 100), (200, 0)])
    work = hand_work(FIELD, [edge(along), edge(across)], RATE)
    assert work.edge_m == pytest.approx(300)
    assert work.strip_m2 == pytest.approx(200 * 3 + 100 * 3 - 9)


def test_a_marking_without_a_reach_gets_the_farm_s_strip() -> None:
    wide = OnFootTable(strip_m=5.0, m2_per_hour=250.0)
    work = hand_work(FIELD, [edge(LineString([(20, 100), (180, 100)]), assumed=True)], wide)
    assert work.strip_m2 == pytest.approx(160 * 5)
    assert work.hours == pytest.approx(160 * 5 / 250)
    own = hand_work(FIELD, [edge(LineString([(20, 100), (180, 100)]), reach=2.0)], wide)
    assert own.strip_m2 == pytest.approx(160 * 2)


def test_an_area_of_trees_counts_with_its_outline() -> None:
    work = hand_work(FIELD, [edge(box(50, 80, 100, 120))], RATE)
    assert work.edge_m == pytest.approx(20 + 50 + 20)
    assert work.strip_m2 == pytest.approx(56 * 23 - 2 * 9 + 2 * math.pi * 9 / 4, rel=2e-3)  # rounded corners


def test_a_single_tree_is_raked_round_and_has_no_length() -> None:
    work = hand_work(FIELD, [edge(Point(100, 50))], RATE)
    assert work.edge_m == 0
    assert work.strip_m2 == pytest.approx(math.pi * 9, rel=0.01)


def test_lines_in_parts_add_up_and_repeated_points_do_no_harm() -> None:
    parts = MultiLineString([[(0, 100), (50, 100), (50, 100)], [(100, 100), (150, 100)]])
    assert hand_work(FIELD, [edge(parts)], RATE).edge_m == pytest.approx(100)


def test_other_kinds_are_no_hand_work() -> None:
    work = hand_work(FIELD, [edge(LineString([(20, 100), (180, 100)]), kind="obstacle")], RATE)
    assert (work.edge_m, work.strip_m2, work.hours) == (0, 0, 0)
    assert hand_work(FIELD, [], RATE).hours == 0
