"""Verdicts either side of every limit, on ground whose tilt is known, and the kernel against its plain reading."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from made import bank, cone, make_grid, plane, ridge, rough, step, with_hole
from made_driving import SMALL, drive_survey, farm, field_of, hazard, inside, middle_of, one, resolved
from shapely.geometry import box

from atlas.driving.explaining import explain
from atlas.driving.hazards import Markings
from atlas.driving.limits import Limits, limits, softened
from atlas.driving.records import ZONE_KEYS, Drive, Reason, Tilt, Zone
from atlas.driving.verdicts import tilt
from atlas.driving.zones import Falls, cells_of, judge, judge_plain, limit_rows, tilt_of_cells, tilt_of_cells_plain
from atlas.grid import Bytes, Heights
from atlas.settings import Settings
from atlas.terrain.slope import horn
from atlas.terrain.stance import stance

BY = 0.002  # two tenths of a percent either side of a limit
SIN15 = math.sin(math.radians(15))
OPEN = {"side_limit_pct": 100, "climb_limit_pct": 100}

# the machine, the gradient at which a verdict changes, the verdicts below and above, and the reason above
EDGES: dict[str, tuple[dict[str, Any], dict[str, Any], float, Zone, Zone, Reason]] = {
    "side": ({**OPEN, "side_limit_pct": 40}, {}, 0.40, Zone.ANY_WAY, Zone.UP_DOWN, Reason.SIDE),
    "side near the fall line": (
        {**OPEN, "side_limit_pct": 15},
        {},
        0.15 / SIN15,
        Zone.UP_DOWN,
        Zone.ON_FOOT,
        Reason.SIDE,
    ),
    "climb": ({**OPEN, "climb_limit_pct": 35}, {}, 0.35, Zone.ANY_WAY, Zone.ON_FOOT, Reason.CLIMB),
    "grip going up": (
        {**OPEN, "driven": "front"},
        {},
        0.96 * 0.95 / (2.2 + 0.96 * 0.85),
        Zone.ANY_WAY,
        Zone.ON_FOOT,
        Reason.GRIP_UP,
    ),
    "grip going down": (
        {**OPEN, "braked": "rear"},
        {},
        0.96 * 1.25 / (2.2 + 0.96 * 0.85),
        Zone.ANY_WAY,
        Zone.ON_FOOT,
        Reason.GRIP_DOWN,
    ),
    "hand work": (
        {**OPEN, "climb_limit_pct": 35},
        {},
        0.80,
        Zone.ON_FOOT,
        Zone.KEEP_OUT,
        Reason.ON_FOOT,
    ),
    "sinking, across": (
        {**OPEN, "side_limit_pct": 40},
        {"grounds": {"firm": {"grip": 1.2, "sink_m": 0.095}}},
        0.40 - 0.05,
        Zone.ANY_WAY,
        Zone.UP_DOWN,
        Reason.SIDE,
    ),
    "sinking, up and down": (
        {**OPEN, "climb_limit_pct": 35},
        {"grounds": {"firm": {"grip": 1.2, "sink_m": 0.11}}},
        0.35 - 0.05,
        Zone.ANY_WAY,
        Zone.ON_FOOT,
        Reason.CLIMB,
    ),
    "height error, across": (
        {**OPEN, "side_limit_pct": 40},
        {"terrain": {"dem_sigma_m": 0.03}},
        0.40 - 1.645 * math.sqrt(2) * 0.03 / 1.9,
        Zone.ANY_WAY,
        Zone.UP_DOWN,
        Reason.SIDE,
    ),
    "height error, up and down": (
        {**OPEN, "climb_limit_pct": 35},
        {"terrain": {"dem_sigma_m": 0.03}},
        0.35 - 1.645 * 0.03 / 2.2,
        Zone.ANY_WAY,
        Zone.ON_FOOT,
        Reason.CLIMB,
    ),
    "height error against grip, across": (
        OPEN,
        {"terrain": {"dem_sigma_m": 0.03}, "grounds": {"firm": {"grip": 0.5}}},
        0.40 - 1.645 * math.sqrt(2) * 0.03 / 1.9,
        Zone.ANY_WAY,
        Zone.UP_DOWN,
        Reason.GRIP_UP,
    ),
    "a new driver": (
        {**OPEN, "side_limit_pct": 40},
        {"drivers": {"practised": {"share": 0.6}}},
        0.24,
        Zone.ANY_WAY,
        Zone.UP_DOWN,
        Reason.SIDE,
    ),
}


@pytest.mark.parametrize("edge", EDGES)
@pytest.mark.parametrize("azimuth", [0.0, 37.0, 118.0, 200.0, 289.4])
def test_a_verdict_changes_exactly_at_its_limit(edge: str, azimuth: float) -> None:
    machine, tables, at, below, above, reason = EDGES[edge]
    settings = farm(machine, **tables)
    under = one(drive_survey(plane(at - BY, azimuth, SMALL), settings))
    over = one(drive_survey(plane(at + BY, azimuth, SMALL), settings))
    assert set(np.unique(inside(under))) == {below}
    assert set(np.unique(inside(over))) == {above}
    assert set(np.unique(over.reason[8:-8, 8:-8])) == {reason}


def test_a_tilt_exactly_at_its_limit_is_within_it() -> None:
    settings = farm({**OPEN, "side_limit_pct": 40})
    assert set(np.unique(inside(one(drive_survey(plane(0.40, 90.0, SMALL), settings))))) == {Zone.ANY_WAY}


def test_slippery_ground_ends_hand_work_sooner() -> None:
    settings = farm(grounds={"firm": {"grip": 0.2}, "wet": {"grip": 0.2}})
    survey = drive_survey(plane(0.6, 200.0, SMALL), settings)
    assert set(np.unique(inside(one(survey, "firm")))) == {Zone.ON_FOOT}
    assert set(np.unique(inside(one(survey, "wet")))) == {Zone.KEEP_OUT}


@pytest.mark.parametrize(("height", "zone"), [(0.5, Zone.ANY_WAY), (0.8, Zone.UP_DOWN), (1.2, Zone.ON_FOOT)])
def test_a_step_a_machine_can_straddle_and_one_it_cannot(height: float, zone: Zone) -> None:
    """Beside a step roll is height/track (0.26, 0.42, 0.63), pitch height/wheelbase (0.23, 0.36, 0.55)."""
    settings = farm({"side_limit_pct": 40, "climb_limit_pct": 40}, on_foot={"limit_pct": 200})
    drive = one(drive_survey(step(height, make_grid(80, 80, 0.5)), settings))
    assert set(np.unique(drive.zone[39:41, 20:-20])) == {zone}
    assert np.all(drive.zone[30, 20:-20] == Zone.ANY_WAY)  # 4.75 m away


def test_a_short_bank_is_straddled_and_a_long_one_is_not() -> None:
    settings = farm({"side_limit_pct": 40, "climb_limit_pct": 40})
    grid = make_grid(80, 80, 0.5)
    low = one(drive_survey(bank(0.3, 0.6, grid), settings)).zone[36:44, 20:-20]
    high = one(drive_survey(bank(4.0, 0.6, grid), settings)).zone[39:41, 20:-20]
    assert set(np.unique(low)) == {Zone.ANY_WAY}
    assert Zone.ANY_WAY not in np.unique(high)


def test_on_a_cone_the_verdict_is_the_same_all_round() -> None:
    grid = make_grid(121, 121)
    settings = farm({**OPEN, "side_limit_pct": 40})
    zone = one(drive_survey(cone(0.5, grid), settings)).zone
    for turns in (1, 2, 3):
        np.testing.assert_array_equal(zone, np.rot90(zone, turns))
    assert zone[60, 100] == zone[100, 60] == zone[90, 90] == Zone.UP_DOWN


def test_a_sharp_ridge_has_no_straight_up_or_down_along_its_crest() -> None:
    settings = farm({**OPEN, "side_limit_pct": 25})
    crest = one(drive_survey(ridge(0.5, make_grid(41, 41)), settings)).zone[10:-10, 20]
    assert set(np.unique(crest)) == {Zone.ON_FOOT}


@pytest.mark.parametrize(
    ("severity", "sink", "zone"), [(1, 0.05, Zone.UP_DOWN), (2, 0.10, Zone.UP_DOWN), (3, 0.0, Zone.KEEP_OUT)]
)
def test_a_wet_spot_of_each_severity_near_the_limit(severity: int, sink: float, zone: Zone) -> None:
    settings = farm({**OPEN, "side_limit_pct": 40}, grounds={"firm": {"grip": 1.2}, "wet": {"grip": 1.2}})
    grid = make_grid(50, 50)
    spot = (hazard("wet_spot", middle_of(grid), severity),)
    edge = 0.40 - sink / 1.9
    for gradient, at_spot in ((edge - BY, Zone.ANY_WAY), (edge + BY, zone)):
        if severity == 3:
            gradient, at_spot = 0.1, zone
        drive = one(drive_survey(plane(gradient, 33.0, grid), settings, spot))
        assert drive.zone[25, 25] == at_spot
        assert drive.zone[25, 42] == Zone.ANY_WAY
        assert drive.reason[25, 25] == (0 if at_spot == Zone.ANY_WAY else Reason.TAG + 1)


def test_the_larger_sinking_of_ground_and_spot_counts_never_their_sum() -> None:
    grid = make_grid(50, 50)
    wet = {"firm": {"grip": 1.2}, "wet": {"grip": 1.2, "sink_m": 0.08}}
    settings = farm({**OPEN, "side_limit_pct": 40}, grounds=wet)
    spot = (hazard("wet_spot", middle_of(grid), 2),)
    between = 0.40 - 0.10 / 1.9 - BY  # within the limit by the spot's 10 cm, past it by 18 cm
    drive = one(drive_survey(plane(between, 33.0, grid), settings, spot), "wet")
    assert drive.zone[25, 25] == Zone.ANY_WAY


def test_a_wet_spot_takes_grip_as_on_wet_ground() -> None:
    grid = make_grid(50, 50)
    settings = farm(OPEN, grounds={"firm": {"grip": 1.0}, "wet": {"grip": 0.3}})
    drive = one(drive_survey(plane(0.3, 33.0, grid), settings, (hazard("wet_spot", middle_of(grid), 1),)))
    assert drive.zone[25, 25] == Zone.ON_FOOT
    assert drive.zone[25, 42] == Zone.ANY_WAY


def test_a_wet_spot_never_makes_slipperier_ground_better() -> None:
    grid = make_grid(50, 50)
    settings = farm(OPEN, grounds={"firm": {"grip": 1.0}, "hay_down": {"grip": 0.2}, "wet": {"grip": 0.9}})
    drive = one(
        drive_survey(plane(0.3, 33.0, grid), settings, (hazard("wet_spot", middle_of(grid), 1),)), "hay_down"
    )
    assert drive.zone[25, 25] == drive.zone[25, 42] == Zone.ON_FOOT


def test_ground_without_heights_is_not_measured_whatever_lies_on_it() -> None:
    heights = with_hole(plane(0.1, 90.0, SMALL), 18, 18, 2, 2)
    drive = one(drive_survey(heights, farm(), (hazard("no_go", middle_of(SMALL), reach_m=20.0),)))
    assert drive.zone[18, 18] == Zone.UNSURVEYED
    assert drive.reason[18, 18] == Reason.NO_HEIGHT
    assert drive.zone[18, 8] == Zone.KEEP_OUT


def test_zones_add_up_to_the_field_though_heights_end_inside_it() -> None:
    grid = make_grid(40, 40)
    b = grid.bounds
    field = field_of(grid)
    beyond = box(b.west + 5.3, b.south + 6.1, b.east + 12.7, b.north - 3.3)
    for shape in (field.shape, beyond):
        survey = drive_survey(rough(5, grid), Settings(), field=type(field)("f", "f", "", "", "", "", "", shape))
        for drive in survey.drives:
            total = sum(getattr(drive, f"{key}_m2") for key in ZONE_KEYS)
            assert total == pytest.approx(shape.area, rel=1e-6)


def test_terrain_too_coarse_for_a_machine_gives_no_zones_and_says_so() -> None:
    survey = drive_survey(plane(0.2, 90.0, make_grid(40, 40, 2.5)), farm())
    assert survey.drives == ()
    assert survey.tilts == ()
    assert survey.why_none.startswith("The terrain model has one height every 2.5 m; driving zones need one")
    assert drive_survey(plane(0.2, 90.0, make_grid(40, 40, 2.0)), farm()).drives


def test_set_ups_on_the_same_wheels_stand_alike() -> None:
    survey = drive_survey(rough(2, make_grid(40, 40)), Settings())
    by = {t.machine: t for t in survey.tilts}
    assert by["transporter_empty"].any_roll is by["transporter_loaded"].any_roll
    assert list(by) == list(resolved(Settings()).machines)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("practised", [True, False])
def test_kernel_and_plain_reading_agree(seed: int, practised: bool) -> None:
    grid = make_grid(40, 44)
    heights = with_hole(rough(seed, grid, relief_m=14.0), 20, 20)
    draw = np.random.default_rng(seed)
    settings = farm({"side_limit_pct": 30}, terrain={"dem_sigma_m": 0.03})
    of = resolved(settings)
    m, gradient = of.machines["m"], horn(heights)
    covered = draw.uniform(0, 1, grid.shape).astype(np.float32) * (draw.uniform(size=grid.shape) > 0.1)
    stood = tilt(m, stance(heights.z, gradient, covered, track_m=m.track_m, wheelbase_m=m.wheelbase_m))
    own, wet = (limits(m, of.grounds[key], of.drivers["practised"], settings) for key in ("firm", "wet"))
    cells = cells_of(covered, gradient)
    packed = tilt_of_cells(stood, cells, own.roll_error, own.pitch_error)
    plain = tilt_of_cells_plain(stood, cells, own.roll_error, own.pitch_error)
    np.testing.assert_allclose(packed, plain, rtol=1e-6)
    n = cells.index.size
    severity = draw.choice(np.array([0, 0, 1, 2], dtype=np.uint8), n)
    soft = (severity > 0).astype(np.uint8) * np.uint8(23)
    marks = Markings(_scattered(draw, n, 25), _scattered(draw, n, 24), soft, severity)
    falls = Falls(_scattered(draw, n, 6), _scattered(draw, n, 7))
    found = judge(cells, packed, limit_rows(m, [own], [wet], [practised]), marks, falls)
    zone, reason = judge_plain(cells, packed, m, own, wet, marks, falls, practised)
    np.testing.assert_array_equal(found.zone[0], zone)
    np.testing.assert_array_equal(found.reason[0], reason)
    areas = [covered[(zone == z) & (covered > 0)].sum(dtype=np.float64) for z in Zone]
    np.testing.assert_allclose(found.area_m2[0], areas, rtol=1e-6)
    assert len(np.unique(zone)) == 5


def _scattered(draw: np.random.Generator, cells: int, code: int) -> Bytes:
    return (draw.uniform(size=cells) < 0.05).astype(np.uint8) * np.uint8(code)


def test_the_numbers_behind_a_verdict_stand_on_both_sides_of_it() -> None:
    settings = farm({**OPEN, "side_limit_pct": 40}, terrain={"dem_sigma_m": 0.02})
    survey = drive_survey(plane(0.42, 200.0, SMALL), settings)
    drive, stood = one(survey), survey.tilts[0]
    why = explain(drive, stood, 0.42, _limits(settings, "firm"), 18, 18)
    assert (why.zone, why.reason, why.tag) == (Zone.UP_DOWN, Reason.SIDE, 0)
    decided = why.decided
    assert decided is not None
    assert decided.rule == "side"
    assert decided.found == pytest.approx(0.42, abs=1e-4)
    assert decided.allowed == 0.40
    assert decided.counted > decided.allowed
    assert decided.share == pytest.approx(decided.counted / 0.40)
    assert all(c.counted <= c.allowed for c in why.up_down)


def test_behind_hand_work_stand_the_numbers_near_the_fall_line() -> None:
    settings = farm({**OPEN, "climb_limit_pct": 35})
    survey = drive_survey(plane(0.42, 200.0, SMALL), settings)
    why = explain(one(survey), survey.tilts[0], 0.42, _limits(settings, "firm"), 18, 18)
    decided = why.decided
    assert decided is not None
    assert (decided.rule, decided.origin) == ("climb", "handbook")
    assert decided in why.up_down
    steep = drive_survey(plane(0.9, 200.0, SMALL), settings)
    above = explain(one(steep), steep.tilts[0], 0.9, _limits(settings, "firm"), 18, 18).decided
    assert above is not None
    assert (above.rule, above.found, above.allowed) == ("on_foot", 0.9, 0.8)


def test_behind_a_wet_spots_verdict_stand_its_tag_and_the_softened_limits() -> None:
    settings = farm({**OPEN, "side_limit_pct": 40})
    grid = make_grid(50, 50)
    survey = drive_survey(plane(0.38, 33.0, grid), settings, (hazard("wet_spot", middle_of(grid), 2),))
    of = resolved(settings)
    soft = softened(_limits(settings, "firm"), _limits(settings, "wet"), 0.10, of.machines["m"])
    why = explain(one(survey), survey.tilts[0], 0.38, soft, 25, 25)
    assert (why.reason, why.tag, why.decided) == (None, 1, None)
    assert any(c.counted > c.allowed for c in why.any_way)


def _limits(settings: Settings, ground: str) -> Limits:
    of = resolved(settings)
    return limits(of.machines["m"], of.grounds[ground], of.drivers["practised"], settings)


def test_every_verdict_agrees_with_the_numbers_behind_it() -> None:
    """On rough ground, cell by cell: within every limit where drivable, the named limit exceeded where not."""
    settings = farm({"side_limit_pct": 30}, terrain={"dem_sigma_m": 0.03})
    heights = rough(4, make_grid(44, 44), relief_m=16.0)
    survey = drive_survey(heights, settings)
    drive, stood = one(survey), survey.tilts[0]
    lim, steep = _limits(settings, "firm"), horn(heights).steepness
    seen = set()
    for row, col in np.argwhere(drive.reason[8:-8, 8:-8] >= 0) + 8:
        seen.add(Zone(int(drive.zone[row, col])))
        _assert_agrees(drive, stood, float(steep[row, col]), lim, int(row), int(col))
    assert seen >= {Zone.ANY_WAY, Zone.UP_DOWN, Zone.ON_FOOT}


def _assert_agrees(drive: Drive, stood: Tilt, steep: float, lim: Limits, row: int, col: int) -> None:
    why = explain(drive, stood, steep, lim, row, col)
    within_any, within_fall = (all(c.counted <= c.allowed + 1e-5 for c in s) for s in (why.any_way, why.up_down))
    if why.zone == Zone.ANY_WAY:
        assert within_any
        return
    decided = why.decided
    assert decided is not None
    assert decided.counted > decided.allowed - 1e-5
    if why.zone == Zone.UP_DOWN:
        assert within_fall
        assert decided.share == max(c.share for c in why.any_way)


def test_the_pipeline_hands_over_heights_not_measured_as_such() -> None:
    heights = Heights(SMALL, np.full(SMALL.shape, np.nan))
    drive = one(drive_survey(heights, farm()))
    assert drive.unsurveyed_m2 == pytest.approx(field_of(SMALL).shape.area, rel=1e-6)
