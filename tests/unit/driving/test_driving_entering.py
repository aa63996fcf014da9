"""Ways in: whose they are, into which part of a field and which way they lead, and whom they let in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made import make_grid, plane
from made_view import box_field, field_cells, scene_of
from shapely.geometry import MultiPolygon, Point, Polygon, box

from atlas.driving.entering import entered_by, entered_part, inward_deg, lets_in
from atlas.driving.machines import Machine, rig
from atlas.driving.moving import Moves
from atlas.driving.records import Zone
from atlas.farm.records import Parcel, WayIn
from atlas.settings import Settings
from atlas.terrain.surveying import survey_terrain
from atlas.terrain.view import look

LARGE, SMALL = box(0, 0, 120, 80), box(40, 90, 80, 110)  # a road between them
IN_TWO = MultiPolygon([LARGE, SMALL])
SETTINGS = Settings()


def way(x: float, y: float, **more: float) -> WayIn:
    return WayIn(f"{x},{y}", "gate", more.get("width_m"), more.get("max_load_t"), False, "", Point(x, y))


def machine(mass_kg: float = 2900.0, towed_kg: float = 0.0, width_m: float = 2.6) -> Machine:
    tractor = rig(SETTINGS).machines["slope_tractor"]
    return replace(tractor, mass_kg=mass_kg, towed_kg=towed_kg, width_m=width_m)


def test_own_ways_in_are_told_from_a_neighbour_s() -> None:
    parcel = Parcel("a", "a", "A", "", "", "", "", LARGE)
    own, across, further = way(60, -4), way(60, -6), way(60, -25)
    assert entered_by(parcel, [further, across, own]) == (own,)
    assert entered_by(parcel, [further, across]) == (across,)  # none is near: the nearest one
    assert entered_by(parcel, []) == ()


@pytest.mark.parametrize(
    ("x", "y", "part", "inwards"),
    [(60, 90, SMALL, 0), (60, 80, LARGE, 180), (0, 40, LARGE, 90), (40, 100, SMALL, 90)],
)
def test_a_way_in_leads_into_the_part_it_belongs_to(x: float, y: float, part: Polygon, inwards: float) -> None:
    """The gate of the small part by the road does not point across the road at the large one."""
    assert entered_part(IN_TWO, Point(x, y)).equals(part)
    assert inward_deg(IN_TWO, Point(x, y)) == pytest.approx(inwards, abs=1e-6)


def test_a_way_in_leads_inwards_round_a_corner() -> None:
    hook = Polygon([(0, 0), (200, 0), (200, 20), (30, 20), (30, 200), (0, 200)])
    assert inward_deg(hook, Point(15, 200)) == pytest.approx(180.0, abs=1e-6)
    assert inward_deg(hook, Point(200, 10)) == pytest.approx(270.0, abs=1e-6)
    assert inward_deg(hook, Point(30, 150)) == pytest.approx(270.0, abs=1e-6)


def test_from_beside_the_field_and_from_its_middle_there_is_a_direction() -> None:
    assert inward_deg(LARGE, Point(60, -40)) == pytest.approx(0.0, abs=1e-6)
    assert 0.0 <= inward_deg(LARGE, Point(60, 40)) < 360.0


def test_the_view_looks_into_the_part_that_is_entered() -> None:
    scene = scene_of(lambda x, y: 600.0 + 0.0 * (x + y))
    large, small = box_field(-60, -80, 60, -5), box_field(-20, 5, 20, 25)
    both = field_cells(scene, MultiPolygon([large, small]))
    at = (scene.near.grid.bounds.west + 100.0, scene.near.grid.bounds.south + 105.0)
    away = look(scene, *at, both)
    into = look(scene, *at, both, field_cells(scene, small))
    assert away is not None
    assert into is not None
    assert away.lens.middle_deg == pytest.approx(180.0, abs=20.0)
    assert into.lens.middle_deg == pytest.approx(0.0, abs=20.0)


@pytest.mark.parametrize(
    ("of_way", "of_machine", "through"),
    [
        ({}, {}, True),
        ({"width_m": 2.6}, {"width_m": 2.6}, True),
        ({"width_m": 2.5}, {"width_m": 2.6}, False),
        ({"max_load_t": 3.0}, {"mass_kg": 3000.0}, True),
        ({"max_load_t": 2.9}, {"mass_kg": 3000.0}, False),
        ({"max_load_t": 4.0}, {"mass_kg": 3000.0, "towed_kg": 1500.0}, False),
    ],
)
def test_a_way_in_lets_in_what_is_no_wider_and_no_heavier(
    of_way: dict[str, float], of_machine: dict[str, float], through: bool
) -> None:
    assert lets_in(way(0, 0, **of_way), machine(**of_machine)) is through


def test_ground_behind_a_bridge_too_weak_is_cut_off_for_the_heavy_machine_alone() -> None:
    grid = make_grid(60, 60)
    b = grid.bounds
    field = box(b.west + 10, b.south + 10, b.east - 10, b.north - 10)
    terrain = survey_terrain(field, plane(0.05, grid=grid), SETTINGS)
    zone = np.full(grid.shape, Zone.ANY_WAY, dtype=np.uint8)
    heavy, light = machine(mass_kg=4500.0), machine(mass_kg=900.0)
    bridge = way(b.west + 30, b.south + 10, max_load_t=1.0)
    moves = Moves(terrain, [bridge])
    assert moves.of(light, zone).cut_off_m2 == 0.0
    assert moves.of(heavy, zone).cut_off_m2 == pytest.approx(field.area, rel=1e-6)
    gate = way(b.west + 30, b.north - 10, max_load_t=8.0, width_m=3.0)
    assert Moves(terrain, [bridge, gate]).of(heavy, zone).cut_off_m2 == 0.0
    assert Moves(terrain, []).of(heavy, zone).cut_off_m2 is None
