"""Overturning and sinking against published figures and statics; each source stands beside its check."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from made_driving import MACHINE

from atlas.driving.limits import downhill_share, overturning_ends, overturning_side, sinking_adds, working
from atlas.driving.machines import Machine, machine
from atlas.settings import MachineTable


def made(**figures: Any) -> Machine:
    return machine("m", MachineTable.model_validate({**MACHINE, **figures}))


def rigid(track: float, height: float) -> Machine:
    return made(track_m=track, cog_height_m=height, front_axle="fixed")


# NHTSA, rollover notice, chapter V (Federal Register 65(106):34998, 1 June 2000): the static stability factor
# is half the track over the height of the centre of gravity; its arc tangent the angle at which a rigid vehicle
# tips.
@pytest.mark.parametrize(
    ("factor", "degrees"),
    [(1.00, 45.00), (1.04, 46.12), (1.25, 51.34), (1.30, 52.43), (1.45, 55.41), (1.50, 56.31)],
)
def test_the_static_stability_factor_is_the_overturning_gradient(factor: float, degrees: float) -> None:
    found = overturning_side(rigid(1.6, 0.8 / factor))
    assert found == pytest.approx(factor)
    assert math.degrees(math.atan(found)) == pytest.approx(degrees, abs=0.005)


# The same relation for three machines, and trade advice for mowing on slopes (scheid-gartentechnik.de, "Mähen am
# Hang"): work at no more than 40 % of the tipping angle in degrees.
@pytest.mark.parametrize(
    ("track", "height", "tips_deg", "works_deg", "works_pct"),
    [(1.8, 0.8, 48.366, 19.35, 35.1), (1.5, 0.9, 39.806, 15.92, 28.5), (2.1, 0.75, 54.462, 21.78, 40.0)],
)
def test_forty_percent_of_the_tipping_angle(
    track: float, height: float, tips_deg: float, works_deg: float, works_pct: float
) -> None:
    tips = overturning_side(rigid(track, height))
    assert math.degrees(math.atan(tips)) == pytest.approx(tips_deg, abs=0.001)
    assert math.degrees(math.atan(working(tips))) == pytest.approx(works_deg, abs=0.006)
    assert 100 * working(tips) == pytest.approx(works_pct, abs=0.06)
    assert working(tips) < 0.4 * tips  # not 40 % of the percentage, which would be more


# Penn State Extension, "Tractor Stability and Instability": a two-wheel-drive tractor's centre of gravity lies
# about 10 inches above and 2 feet ahead of the rear axle, with 30 % of the weight on the front wheels.
def test_the_extension_sheets_tractor() -> None:
    ahead, front_share = 0.6096, 0.30
    wheelbase = ahead / front_share
    assert wheelbase == pytest.approx(2.032, abs=0.001)  # 80 inches: the sheet's figures agree with each other
    height = 0.70 + 0.254  # a rear axle 0.70 m over the ground is our assumption
    tractor = made(wheelbase_m=wheelbase, cog_ahead_m=ahead, cog_height_m=height)
    # it rears up when its centre of gravity stands over the rear contacts (statics): 32.58°
    assert math.degrees(math.atan(overturning_ends(tractor))) == pytest.approx(32.58, abs=0.01)


# Penn State Extension, and CCOHS "Tractors: stability": the front axle pivots in its middle, so that the base
# of support is a triangle until the stop, and the tractor tips earlier than on a rectangle. Gibson, Elliott and
# Persson, J. Terramechanics 8(2):65-79 (1971), take the front pin as the third support.
@pytest.mark.parametrize("pivot", [0.0, 0.3, 0.6])
def test_the_triangle_tips_before_the_rectangle(pivot: float) -> None:
    triangle = made(pivot_height_m=pivot)
    assert overturning_side(triangle) < overturning_side(made(front_axle="fixed"))
    # with the pivot on the ground it is the plain triangle of the contacts: distance to its side over height
    flat = made(pivot_height_m=0.0)
    side = np.array([2.2, -0.95]) / math.hypot(2.2, 0.95)
    arm = np.array([0.95, -0.95])
    distance = abs(arm[0] * side[1] - arm[1] * side[0])
    assert overturning_side(flat) == pytest.approx(distance / 0.85)


# Statics (any text on vehicle dynamics, from memory): across a slope the downhill wheels carry 1/2 + (h/t)·tan
# θ of the weight's part square to the ground.
@pytest.mark.parametrize(
    ("gradient", "share"),
    [(0.0, 0.5), (math.tan(math.radians(10)), 0.5784), (math.tan(math.radians(20)), 0.6618), (0.35, 0.6556),
     (math.tan(math.radians(30)), 0.7566), (1.125, 1.0)],
)  # fmt: skip
def test_the_share_of_weight_on_the_downhill_wheels(gradient: float, share: float) -> None:
    assert downhill_share(rigid(1.8, 0.8), gradient) == pytest.approx(share, abs=5e-5)


# Geometry of a downhill wheel that sinks z on a track t, on the level: atan(z/t).
@pytest.mark.parametrize(("sink", "degrees"), [(0.05, 1.591), (0.10, 3.180), (0.15, 4.764)])
def test_what_sinking_adds_on_the_level(sink: float, degrees: float) -> None:
    added = sinking_adds(rigid(1.8, 0.8), sink)
    assert math.degrees(math.atan(added)) == pytest.approx(degrees, abs=0.0006)


def test_what_sinking_adds_on_a_slope() -> None:
    """Straight down by z at 20° on a track of 1.8 m measured along the slope: 22.933° (geometry). Ours measures
    the track in plan, as the heights are sampled, which leaves out the cosine and comes out 0.2° less."""
    ours = math.degrees(math.atan(math.tan(math.radians(20)) + sinking_adds(rigid(1.8, 0.8), 0.10)))
    exact = math.degrees(math.atan((1.8 * math.sin(math.radians(20)) + 0.10) / (1.8 * math.cos(math.radians(20)))))
    assert exact == pytest.approx(22.933, abs=0.001)
    assert 0.0 < exact - ours < 0.2
