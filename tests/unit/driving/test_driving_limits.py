"""Limits held to brute force and algebra, and figures that cannot belong to one machine refused."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_driving import MACHINE, farm

from atlas.driving.grounds import BUILT_IN, SOURCES, grounds
from atlas.driving.limits import (
    downhill_share,
    grip_limit,
    limits,
    limits_table,
    overturning_ends,
    overturning_side,
    sinking_adds,
    softened,
    stance_error,
    working,
)
from atlas.driving.machines import Driver, Machine, machine, rig
from atlas.errors import SettingsError
from atlas.settings import GroundTable, MachineTable, Settings, parse

NEW, PRACTISED = Driver("new", 0.6, True), Driver("practised", 1.0, True)


def made(**figures: Any) -> Machine:
    return machine("m", MachineTable.model_validate({**MACHINE, **figures}))


def grip_by_search(m: Machine, grip: float, axles: str, downhill: bool) -> float:
    """The largest gradient on a fine ladder that keeps the inequality, axle loads from moments at the wheels."""
    sign = 1.0 if downhill else -1.0
    g = np.linspace(0, 1.5, 1_500_001)
    front = np.clip((m.cog_ahead_m + sign * m.cog_height_m * g) / m.wheelbase_m, 0, 1)
    share = {"all": np.ones_like(g), "front": front, "rear": 1 - front}[axles]
    holds = g <= 0.8 * grip * share * m.mass_kg / (m.mass_kg + m.towed_kg)
    return float(g[holds][-1])


@pytest.mark.parametrize(("axles", "downhill"), list(itertools.product(["all", "rear", "front"], [False, True])))
@pytest.mark.parametrize("grip", [0.15, 0.4, 0.7, 1.2])
@pytest.mark.parametrize("towed", [0.0, 2500.0])
@pytest.mark.parametrize("height", [0.6, 1.6])
def test_grip_is_the_steepest_slope_on_which_the_wheels_hold(
    axles: str, downhill: bool, grip: float, towed: float, height: float
) -> None:
    m = made(towed_kg=towed, cog_height_m=height)
    searched = grip_by_search(m, grip, axles, downhill)
    assert grip_limit(m, grip, axles, downhill) == pytest.approx(searched, abs=2e-6)


def test_rear_wheels_hold_better_going_up_and_worse_going_down() -> None:
    m = made(driven="rear", braked="rear")
    lim = limits(m, BUILT_IN["damp"], PRACTISED, Settings())
    assert lim.grip_up > lim.grip_down
    assert lim.grip == lim.grip_down
    assert lim.grip_from == "grip down"


def test_an_unbraked_load_of_its_own_weight_halves_the_grip() -> None:
    alone = grip_limit(made(), 0.5, "all", True)
    assert grip_limit(made(towed_kg=3200), 0.5, "all", True) == pytest.approx(alone / 2)


def test_a_fixed_axle_overturns_at_half_the_track_over_the_height() -> None:
    assert overturning_side(made(front_axle="fixed")) == pytest.approx(1.9 / 1.7)


def test_a_pivoting_axle_overturns_no_later_than_statics_says_in_any_direction() -> None:
    """The line of tipping runs from a rear tyre to the pivot: gravity through the centre of gravity meets it where
    the triple product of arm, line and gravity is zero, here searched over all directions."""
    for d, p, h in itertools.product([0.4, 0.95, 1.6], [0.2, 0.5, 0.8], [0.85, 1.1]):
        m = made(cog_ahead_m=d, pivot_height_m=p, cog_height_m=h)
        arm, line = np.array([d, -0.95, h]), np.array([2.2, -0.95, p])
        normal = np.cross(arm, line)
        turn = np.linspace(0, 2 * math.pi, 20_001)
        towards = normal[0] * np.cos(turn) + normal[1] * np.sin(turn)
        earliest = (normal[2] / towards[towards > 0]).min()
        assert overturning_side(m) <= earliest * (1 + 1e-9)
        assert overturning_side(m) >= earliest * 0.85


def test_a_pivoting_axle_overturns_before_a_fixed_one() -> None:
    assert overturning_side(made()) < overturning_side(made(front_axle="fixed"))


def test_over_its_ends_it_tips_about_the_nearer_axle() -> None:
    assert overturning_ends(made(cog_ahead_m=0.5)) == pytest.approx(0.5 / 0.85)
    assert overturning_ends(made(cog_ahead_m=1.9)) == pytest.approx(0.3 / 0.85)


def test_the_working_limit_is_a_share_of_the_angle_not_of_the_percentage() -> None:
    assert working(1.125) == pytest.approx(math.tan(0.4 * math.atan(1.125)))
    assert working(1.125) < 0.4 * 1.125


def test_the_handbook_comes_first_and_the_driver_takes_a_share_of_everything() -> None:
    m = made(side_limit_pct=40)
    full, part = (limits(m, BUILT_IN["firm"], d, Settings()) for d in (PRACTISED, NEW))
    assert (full.side, full.side_from, full.climb_from) == (0.40, "handbook", "overturning")
    for name in ("side", "climb", "grip_up", "grip_down", "grip"):
        assert getattr(part, name) == pytest.approx(0.6 * getattr(full, name))
    assert part.on_foot == full.on_foot == 0.8


def test_hand_work_ends_sooner_on_anything_but_firm_ground() -> None:
    for key, ground in BUILT_IN.items():
        expected = 0.8 if key == "firm" else 0.5
        assert limits(made(), ground, PRACTISED, Settings()).on_foot == expected


def test_sinking_and_height_error_count_over_track_and_wheelbase() -> None:
    ground = grounds({"wet": GroundTable(grip=0.3, sink_m=0.05)})["wet"]
    lim = limits(made(), ground, PRACTISED, Settings())
    assert lim.roll_sink == pytest.approx(0.05 / 1.9)
    assert lim.pitch_sink == pytest.approx(0.05 / 2.2)
    assert lim.roll_error == pytest.approx(1.645 * math.sqrt(2) * 0.03 / 1.9)
    assert lim.pitch_error == pytest.approx(1.645 * 0.03 / 2.2)
    assert sinking_adds(made()) == pytest.approx(0.0263, abs=1e-4)  # "2.6 points steeper"


def test_on_a_wet_spot_the_worse_of_each_limit_and_the_deepest_sinking_count() -> None:
    of = grounds({"firm": GroundTable(grip=0.2, sink_m=0.08), "wet": GroundTable(grip=0.5, sink_m=0.02)})
    own, wet = (limits(made(), of[key], PRACTISED, Settings()) for key in ("firm", "wet"))
    soft = softened(own, wet, 0.05, made())
    assert soft.grip == own.grip
    assert soft.on_foot == wet.on_foot
    assert soft.sink_m == 0.08
    assert softened(own, wet, 0.10, made()).roll_sink == pytest.approx(0.10 / 1.9)


def test_the_error_of_a_stance_lies_between_those_of_roll_and_pitch() -> None:
    roll, pitch = np.array([0.3, 0.0, 0.15]), np.array([0.0, 0.3, 0.3])
    error = stance_error(roll, pitch, np.hypot(roll, pitch), 0.04, 0.02)
    assert error[0] == pytest.approx(0.04)
    assert error[1] == pytest.approx(0.02)
    exact = math.hypot(0.15 * 0.04, 0.3 * 0.02) / math.hypot(0.15, 0.3)
    assert error[2] == pytest.approx(exact)


def test_weight_moves_onto_the_downhill_wheels_until_all_of_it_is_there() -> None:
    m = made(front_axle="fixed")
    assert downhill_share(m, 0.0) == 0.5
    assert downhill_share(m, overturning_side(m)) == pytest.approx(1.0)
    assert downhill_share(m, 5.0) == 1.0


def test_the_table_holds_every_machine_ground_and_driver_once() -> None:
    of = rig(Settings())
    rows = limits_table(of, Settings())
    assert len({(r.machine, r.ground, r.driver) for r in rows}) == len(rows) == 5 * 5 * 2


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    d=st.floats(0.1, 2.1),
    h=st.floats(0.3, 2.0),
    k=st.floats(0.05, 1.2),
    more=st.floats(0.01, 0.5),
    axles=st.sampled_from(["all", "rear", "front"]),
    downhill=st.booleans(),
)
def test_less_grip_never_lets_a_machine_climb_steeper(
    d: float, h: float, k: float, more: float, axles: str, downhill: bool
) -> None:
    m = made(cog_ahead_m=d, cog_height_m=h, front_axle="fixed")
    assert grip_limit(m, k, axles, downhill) <= grip_limit(m, k + more, axles, downhill)


@pytest.mark.parametrize(
    ("figures", "sentence"),
    [
        ({"track_m": 19}, r"'machines.m.track_m' is 19: input should be less than or equal to 4"),
        ({"cog_ahead_m": -0.2}, r"'machines.m.cog_ahead_m' is -0.2: input should be greater than 0"),
        ({"cog_ahead_m": 2.4}, r"machines.m: cog_ahead_m is 2.4, ahead of the front axle \(wheelbase_m is 2.2\)"),
        ({"pivot_height_m": 0.9}, r"machines.m: pivot_height_m is 0.9, not below the centre of gravity"),
        (
            {"cog_height_m": 0.085},
            r"'machines.m.cog_height_m' is 0.085: input should be greater than or equal to 0.2",
        ),
        ({"side_limit_pct": 130}, r"machines.m: side_limit_pct is 130, but .* overturns at 112 %"),
        ({"climb_limit_pct": 120}, r"machines.m: climb_limit_pct is 120, but .* overturns at 112 %"),
        (
            {"side_limit_pct": 0.4},
            r"machines.m: side_limit_pct is 0.4; write it in percent, as 40 for 0.4 rise over run",
        ),
        (
            {"climb_limit_pct": 1},
            r"machines.m: climb_limit_pct is 1; write it in percent, as 100 for 1 rise over run",
        ),
        (
            {"width_m": 1.5},
            r"machines.m: width_m is 1.5, narrower than its track \(track_m is 1.9\); give the width over",
        ),
    ],
)
def test_figures_that_cannot_be_meant_are_one_sentence(figures: dict[str, Any], sentence: str) -> None:
    with pytest.raises(SettingsError, match=sentence):
        rig(farm(figures))


def test_a_fixed_axle_has_no_pivot_to_be_wrong_about() -> None:
    assert not made(front_axle="fixed", pivot_height_m=0.9).pivots


@pytest.mark.parametrize(
    ("shown", "sentence"),
    [
        ({"machine": "n"}, r"shown.machine is 'n', which is not among them; the nearest is 'm'"),
        ({"driver": "learner"}, r"shown.driver is 'learner'"),
        ({"ground": "frm"}, r"shown.ground is 'frm', .* the nearest is 'firm'"),
    ],
)
def test_what_paper_shows_must_exist(shown: dict[str, str], sentence: str) -> None:
    with pytest.raises(SettingsError, match=sentence):
        rig(farm(shown=shown))


def test_examples_stand_only_where_the_settings_name_none() -> None:
    of = rig(parse({"machines": {"mine": MACHINE}}))
    assert list(of.machines) == ["mine"]
    assert not of.machines["mine"].example
    assert of.grounds.keys() == BUILT_IN.keys()
    assert all(g.example for g in of.grounds.values())
    every = rig(Settings())
    assert all(m.example and m.name.endswith("(example)") for m in every.machines.values())


def test_wet_ground_is_always_known_since_unreleased_fields_count_as_wet() -> None:
    of = rig(parse({"grounds": {"firm": {"grip": 0.5}}}))
    assert list(of.grounds) == ["firm", "wet"]
    assert of.grounds["wet"].example


def test_the_default_driver_is_the_one_with_the_widest_margin() -> None:
    of = rig(parse({"drivers": {"boss": {"share": 1.0}, "lad": {"share": 0.5}}}))
    assert of.shown.driver == "lad"
    assert of.shown.machine == "slope_tractor"


def test_a_worker_may_choose_a_worse_ground_never_a_better() -> None:
    of = rig(Settings())
    assert of.no_better_than("firm") == tuple(of.grounds)
    assert of.no_better_than("wet") == ("wet",)
    assert "firm" not in of.no_better_than("damp")
    assert set(of.no_better_than("damp")) == {"damp", "wet"}


def test_every_ground_says_where_its_grip_comes_from_and_lies_in_its_range() -> None:
    for ground in BUILT_IN.values():
        said = ground.source.format(**SOURCES)
        assert "no source" in said or "Noon, Engineering Analysis" in said
        assert ground.grip_low <= ground.grip <= ground.grip_high
