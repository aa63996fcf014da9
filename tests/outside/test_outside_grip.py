"""Grip against published friction, braking and traction figures; each source stands beside its check."""

from __future__ import annotations

import math
from typing import Any

import pytest
from made_driving import MACHINE

from atlas.driving.examples import MACHINES
from atlas.driving.grounds import BUILT_IN
from atlas.driving.limits import GRIP_SHARE, grip_limit, overturning_ends, overturning_side
from atlas.driving.machines import Machine, machine
from atlas.settings import MachineTable


def made(**figures: Any) -> Machine:
    return machine("m", MachineTable.model_validate({**MACHINE, **figures}))


# Statics: with all wheels holding, the steepest slope is the friction number; 0.2 is 11.31°, 0.5 is 26.57°.
@pytest.mark.parametrize(("grip", "degrees"), [(0.2, 11.31), (0.35, 19.29), (0.5, 26.57)])
def test_all_wheels_hold_up_to_the_friction_number(grip: float, degrees: float) -> None:
    whole = grip_limit(made(), grip, "all", downhill=True) / GRIP_SHARE
    assert math.degrees(math.atan(whole)) == pytest.approx(degrees, abs=0.006)


# Spencer and Owen, J. agric. Engng Res. 26(3):277-286 (1981): the steepest slope that a two-wheel-drive tractor
# can descend follows from the deceleration it reaches braking on the level. On the level, braking by the rear
# wheels alone decelerates at a/g = μ·(L−d)/(L + μ·h), the same balance of moments as on a slope whose gradient
# is a/g.
@pytest.mark.parametrize("friction", [0.2, 0.35, 0.6])
@pytest.mark.parametrize("ahead", [0.6, 0.95, 1.3])
def test_the_slope_it_can_descend_is_the_deceleration_on_the_level(friction: float, ahead: float) -> None:
    m = made(cog_ahead_m=ahead)
    deceleration = 0.0
    for _ in range(200):  # load moves forward as it brakes, until forces balance
        rear_load = (m.wheelbase_m - ahead - m.cog_height_m * deceleration) / m.wheelbase_m
        deceleration = friction * rear_load
    assert grip_limit(m, friction / GRIP_SHARE, "rear", downhill=True) == pytest.approx(deceleration, rel=1e-9)


# The same paper: the descent usually governs. With rear brakes alone it does, whichever wheels are driven.
@pytest.mark.parametrize("driven", ["all", "rear"])
def test_with_rear_brakes_the_descent_governs(driven: str) -> None:
    m = made()
    assert grip_limit(m, 0.4, "rear", downhill=True) < grip_limit(m, 0.4, driven, downhill=False)


# Spencer, J. agric. Engng Res. 23(2):169-188 (1978): loss of grip, not overturning, sets the limit for most sets.
@pytest.mark.parametrize("key", MACHINES)
@pytest.mark.parametrize("ground", BUILT_IN)
def test_our_examples_slide_before_they_tip(key: str, ground: str) -> None:
    m = machine(key, MACHINES[key])
    slides = grip_limit(m, BUILT_IN[ground].grip, m.braked, downhill=True)
    assert slides < overturning_side(m)
    assert slides < overturning_ends(m)


# Noon, Engineering Analysis of Vehicular Accidents (1994): wet grassy field 0.20, dirt road 0.35. Wong, Theory
# of Ground Vehicles (2nd ed. 1993), peak and sliding: earth road dry 0.68 and 0.65; wet 0.55, and sliding 0.40
# to 0.50 (from memory). An off-road handbook's table for a mown meadow: dry 0.20 to 0.40, moist 0.10 to 0.30 (a
# weak source, page without address).
def test_wet_ground_leaves_what_was_measured_on_wet_grass() -> None:
    assert pytest.approx(0.20) == GRIP_SHARE * BUILT_IN["wet"].grip
    assert BUILT_IN["wet"].grip_low <= 0.20
    assert BUILT_IN["wet"].grip_high >= 0.55


def test_firm_ground_lies_between_the_sources_that_disagree_and_shows_their_range() -> None:
    firm = BUILT_IN["firm"]
    assert 0.35 < firm.grip < 0.65
    assert firm.grip_low <= 0.35
    assert firm.grip_high >= 0.68


def test_grounds_are_slipperier_the_wetter() -> None:
    assert BUILT_IN["firm"].grip > BUILT_IN["damp"].grip > BUILT_IN["wet"].grip
    assert BUILT_IN["firm"].sink_m <= BUILT_IN["damp"].sink_m <= BUILT_IN["wet"].sink_m


def net_traction(mobility: float, slip: float) -> float:
    """Net pull over load on a wheel: gross traction less motion resistance (Brixius 1987, ASAE paper 87-1622, as
    in ASABE D497; coefficients from memory)."""
    gross = 0.88 * (1 - math.exp(-0.1 * mobility)) * (1 - math.exp(-7.5 * slip)) + 0.04
    resistance = 1 / mobility + 0.04 + 0.5 * slip / math.sqrt(mobility)
    return gross - resistance


# Mobility numbers of D497's table for drive tyres (from memory): hard 80, firm 55, tilled 40, soft or sandy 20.
# Work at 10 to 20 % slip is usual (common practice, no source).
def test_the_traction_equations_as_remembered_give_their_worked_values() -> None:
    assert net_traction(55, 0.10) == pytest.approx(0.4375, abs=5e-5)
    assert net_traction(20, 0.20) == pytest.approx(0.5188, abs=5e-5)
    assert net_traction(49.5484, 0.0) == pytest.approx(-1 / 49.5484)


@pytest.mark.parametrize(("ground", "mobility"), [("firm", 55.0), ("damp", 20.0)])
def test_grip_lies_within_what_the_traction_equations_give_at_usual_slip(ground: str, mobility: float) -> None:
    assert net_traction(mobility, 0.10) <= BUILT_IN[ground].grip <= net_traction(mobility, 0.20)


def test_on_wet_grass_we_count_on_less_than_the_equations_give_for_soft_soil() -> None:
    assert BUILT_IN["wet"].grip < net_traction(20.0, 0.10)
