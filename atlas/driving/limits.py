"""How steep is too steep for a machine on a ground with a driver, and which rule says so.

Gradients are rise over run. Every limit is already multiplied by the driver's share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from atlas.driving.grounds import Ground
from atlas.driving.machines import Driver, Machine, Rig
from atlas.grid import Floats, Floats32
from atlas.settings import OnFootTable, Settings

TIP_SHARE = 0.4  # of the overturning ANGLE; trade advice for work on slopes, not a standard
GRIP_SHARE = 0.8  # of the friction number; the rest is kept in hand
AnyFloats = Floats | Floats32
ONE_SIDED_95 = 1.645  # one-sided 95 % point of the normal distribution


@dataclass(frozen=True)
class Limits:
    """What one machine may do on one ground with one driver, rise over run, with what decides each."""

    machine: str
    ground: str
    driver: str
    side: float
    side_from: str  # "handbook" or "overturning"
    climb: float  # up and down
    climb_from: str
    grip_up: float
    grip_down: float
    on_foot: float
    sink_m: float  # of the ground
    roll_sink: float  # what the ground's sinking adds to roll
    pitch_sink: float
    roll_error: float  # what not knowing the heights exactly adds, 95 %
    pitch_error: float

    @property
    def grip(self) -> float:
        return min(self.grip_up, self.grip_down)

    @property
    def grip_from(self) -> str:
        return "grip up" if self.grip_up <= self.grip_down else "grip down"


def stance_error(
    roll: AnyFloats, pitch: AnyFloats, stance: AnyFloats, roll_error: float, pitch_error: float
) -> Floats:
    """What not knowing the heights adds to a stance gradient √(roll² + pitch²), any shape.

    Its error is √((roll·e_roll)² + (pitch·e_pitch)²) / stance, between the two; the part with the larger error
    counts with its largest share among the headings, so this is never less. Without it a third of the ground
    just past the limit of grip would be called within it where the ground is rough (see the Monte Carlo tests).
    """
    small, large = sorted((roll_error, pitch_error))
    part = roll if roll_error >= pitch_error else pitch
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(stance > part, part / stance, 1.0)
    return np.asarray(np.sqrt(small**2 + (large**2 - small**2) * share**2))


def overturning_side(m: Machine) -> float:
    """Sideways gradient at which the machine overturns: half the track over the height, the published static
    stability factor; for a pivoting front axle the line from a rear tyre to the pivot carries it."""
    half, height = m.track_m / 2.0, m.cog_height_m
    if not m.pivots:
        return half / height
    ahead, base = m.cog_ahead_m, m.wheelbase_m
    return half * (base - ahead) / ((height - m.pivot_height_m * ahead / base) * math.hypot(base, half))


def overturning_ends(m: Machine) -> float:
    """Gradient at which the machine overturns over its rear or its front axle, whichever comes first."""
    return min(m.cog_ahead_m, m.wheelbase_m - m.cog_ahead_m) / m.cog_height_m


def working(overturning: float) -> float:
    """The working limit that trade advice takes from an overturning gradient: 0.4 of the angle."""
    return math.tan(TIP_SHARE * math.atan(overturning))


def grip_limit(m: Machine, grip: float, axles: str, downhill: bool) -> float:
    """Largest g with g ≤ 0.8 · grip · (share of the load on the gripping axles at g) · mass / (mass + towed).

    The front axle carries (d − h·g)/L going up and (d + h·g)/L going down, so the bound is linear in g; no axle
    ever carries more than the whole machine. `axles` is "all", "rear" or "front".
    """
    k = GRIP_SHARE * grip * m.mass_kg / (m.mass_kg + m.towed_kg)
    if axles == "all":
        return k
    base, lever = m.wheelbase_m, m.cog_height_m
    level = m.cog_ahead_m if axles == "front" else base - m.cog_ahead_m
    gains = (axles == "front") == downhill  # whether the slope shifts load onto the gripping axle
    room = base - k * lever if gains else base + k * lever
    return k if room <= 0 else min(k, k * level / room)


def limits(m: Machine, ground: Ground, driver: Driver, settings: Settings) -> Limits:
    """All limits of one machine on one ground with one driver."""
    return limits_of(m, ground, driver, settings.on_foot, settings.terrain.dem_sigma_m)


def limits_of(m: Machine, ground: Ground, driver: Driver, on_foot: OnFootTable, sigma: float) -> Limits:
    """The same, from the settings it needs: the limits of hand work and the height error (m)."""
    side = m.side_limit if m.side_limit is not None else working(overturning_side(m))
    climb = m.climb_limit if m.climb_limit is not None else working(overturning_ends(m))
    foot = on_foot.slippery_limit_pct if ground.slippery else on_foot.limit_pct
    return Limits(
        machine=m.key,
        ground=ground.key,
        driver=driver.key,
        side=side * driver.share,
        side_from="handbook" if m.side_limit is not None else "overturning",
        climb=climb * driver.share,
        climb_from="handbook" if m.climb_limit is not None else "overturning",
        grip_up=grip_limit(m, ground.grip, m.driven, downhill=False) * driver.share,
        grip_down=grip_limit(m, ground.grip, m.braked, downhill=True) * driver.share,
        on_foot=foot / 100.0,
        sink_m=ground.sink_m,
        roll_sink=ground.sink_m / m.track_m,
        pitch_sink=ground.sink_m / m.wheelbase_m,
        roll_error=ONE_SIDED_95 * math.sqrt(2.0) * sigma / m.track_m,
        pitch_error=ONE_SIDED_95 * sigma / m.wheelbase_m,
    )


def softened(own: Limits, wet: Limits, sink_m: float, m: Machine) -> Limits:
    """Limits on a wet spot: the worse of the day's ground and wet ground, sinking by the largest of the three."""
    sink = max(own.sink_m, wet.sink_m, sink_m)
    return replace(
        own,
        side=min(own.side, wet.side),
        climb=min(own.climb, wet.climb),
        grip_up=min(own.grip_up, wet.grip_up),
        grip_down=min(own.grip_down, wet.grip_down),
        on_foot=min(own.on_foot, wet.on_foot),
        sink_m=sink,
        roll_sink=sink / m.track_m,
        pitch_sink=sink / m.wheelbase_m,
    )


def limits_table(rig: Rig, settings: Settings) -> tuple[Limits, ...]:
    """Limits of every machine on every ground with every driver, in the farm's order."""
    return tuple(
        limits(m, g, d, settings)
        for m in rig.machines.values()
        for g in rig.grounds.values()
        for d in rig.drivers.values()
    )


def downhill_share(m: Machine, gradient: float) -> float:
    """Share of the weight on the downhill wheels across a slope: ½ + (h/T)·g, 1 when it overturns (statics)."""
    return min(1.0, 0.5 + m.cog_height_m / m.track_m * gradient)


def sinking_adds(m: Machine, sink_m: float = 0.05) -> float:
    """How much steeper sideways the machine stands when its downhill wheels sink, rise over run."""
    return sink_m / m.track_m
