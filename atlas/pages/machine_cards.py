"""The machine cards: what each machine may do, which rule says so, and how its weight shifts on a slope."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from atlas.driving.grounds import SOURCES, Ground
from atlas.driving.limits import (
    GRIP_SHARE,
    TIP_SHARE,
    Limits,
    downhill_share,
    limits,
    overturning_ends,
    overturning_side,
    sinking_adds,
    stance_error,
)
from atlas.driving.machines import Driver, Machine
from atlas.languages import tr
from atlas.pages.context import PageContext
from atlas.pages.render import pages
from atlas.pages.sheet_lists import driver_label, ground_label, machine_label
from atlas.words import N_, number

DECIDED_BY = {
    "handbook": N_("handbook"),
    "overturning": N_("overturning"),
    "grip up": N_("grip going up"),
    "grip down": N_("grip going down"),
    "grip": N_("grip, up and down alike"),
}
SHOWN_SINK_M = 0.05
FALL_LINE = math.radians(15.0)  # as far off it as `up_down` ground allows
GRADIENTS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6)


@dataclass(frozen=True)
class Bound:
    """A limit as rise over run, and the rule that decides it (a key of DECIDED_BY)."""

    limit: float
    decided_by: str

    @property
    def why(self) -> str:
        return DECIDED_BY[self.decided_by]


@dataclass(frozen=True)
class GroundRow:
    """One ground on a card, rise over run: the steepest ground to drive across and straight up or down, and how
    steep even ground may be until the map closes it (wheels sink, and heights are not known exactly)."""

    ground: str
    across: Bound
    straight: Bound
    any_way_to: float
    up_down_to: float


@dataclass(frozen=True)
class DriverTable:
    driver: str
    share: float
    rows: tuple[GroundRow, ...]


@dataclass(frozen=True)
class LoadPoint:
    gradient: float
    share: float  # of the weight, on the downhill wheels


@dataclass(frozen=True)
class LoadCurve:
    """The line picture, 100 wide and 50 high: gradient to the right, weight on the downhill wheels upwards."""

    steepest: float  # gradient at the right edge
    path: str
    full_x: float | None  # where the uphill wheels carry nothing; None beyond the edge
    limits_x: tuple[float, ...]  # sideways limits, one per driver


@dataclass(frozen=True)
class Card:
    machine: Machine
    tips_side: float
    tips_ends: float
    tables: tuple[DriverTable, ...]
    loads: tuple[LoadPoint, ...]
    curve: LoadCurve
    sinking: float  # what SHOWN_SINK_M adds, rise over run


@dataclass(frozen=True)
class GroundNote:
    """A ground's grip and where it comes from."""

    label: str
    ground: Ground

    @property
    def source(self) -> str:
        return tr(self.ground.source).format(**SOURCES)

    @property
    def ranges(self) -> bool:
        return self.ground.grip_low < self.ground.grip_high


def machines_page(ctx: PageContext) -> dict[str, bytes]:
    """machines.html: a card per machine, then where the grip of each ground comes from."""
    return pages("machines.html", "machines.html", ctx, lambda: _values(ctx))


def _values(ctx: PageContext) -> dict[str, object]:
    rig = ctx.rig
    return {
        "cards": [card(m, ctx) for m in rig.machines.values()],
        "grounds": [GroundNote(ground_label(g.key), g) for g in rig.grounds.values()],
        "machine_label": machine_label,
        "sink_m": SHOWN_SINK_M,
        "grip_share": GRIP_SHARE,
        "tip_share": TIP_SHARE,
        "points": points,
    }


def card(m: Machine, ctx: PageContext) -> Card:
    """Everything one machine's card says."""
    rig = ctx.rig
    tables = tuple(
        DriverTable(
            driver_label(d.key),
            d.share,
            tuple(ground_row(limits(m, g, d, ctx.settings)) for g in rig.grounds.values()),
        )
        for d in rig.drivers.values()
    )
    return Card(
        m,
        overturning_side(m),
        overturning_ends(m),
        tables,
        tuple(LoadPoint(g, downhill_share(m, g)) for g in GRADIENTS),
        load_curve(m, [_side(m, d, ctx) for d in rig.drivers.values()]),
        sinking_adds(m, SHOWN_SINK_M),
    )


def ground_row(found: Limits) -> GroundRow:
    """The smallest of the limits that hold across, and of those that hold straight up or down."""
    grips: tuple[Bound, ...] = (Bound(found.grip_up, "grip up"), Bound(found.grip_down, "grip down"))
    if found.grip_up == found.grip_down:
        grips = (Bound(found.grip_up, "grip"),)
    return GroundRow(
        ground_label(found.ground),
        _smallest(Bound(found.side, found.side_from), *grips),
        _smallest(Bound(found.climb, found.climb_from), *grips),
        _open_to(found, math.pi / 2),
        _open_to(found, FALL_LINE),
    )


def _open_to(found: Limits, turned: float) -> float:
    """The steepest even ground that stays open to headings up to `turned` (radians) off the fall line.

    On a plane of gradient g the largest roll among them is g·sin(turned) and the largest pitch g, so each limit,
    less what sinking and height error take, gives a bound on g. Never below 0.
    """
    lean = math.sin(turned)
    ones = np.ones(1)
    error = float(stance_error(lean * ones, ones, ones, found.roll_error, found.pitch_error)[0])
    side = (found.side - found.roll_sink - found.roll_error) / lean
    climb = found.climb - found.pitch_sink - found.pitch_error
    return max(0.0, min(side, climb, found.grip - error))


def load_curve(m: Machine, side_limits: list[float]) -> LoadCurve:
    """Weight on the downhill wheels from level ground to where they carry all of it, or to 150 %."""
    full = 0.5 * m.track_m / m.cog_height_m
    steepest = min(1.5, 1.1 * full)
    end = min(full, steepest)
    path = f"M0 50L{_x(end, steepest)} {_y(downhill_share(m, end))}L100 {_y(downhill_share(m, steepest))}"
    return LoadCurve(
        steepest,
        path,
        _x(full, steepest) if full <= steepest else None,
        tuple(_x(s, steepest) for s in side_limits),
    )


def points(rise_over_run: float) -> str:
    """A difference of gradients in percentage points, one decimal: "2.6"."""
    return number(rise_over_run * 100, 1)


def _side(m: Machine, driver: Driver, ctx: PageContext) -> float:
    ground = next(iter(ctx.rig.grounds.values()))  # the sideways limit is the machine's, whatever the ground
    return limits(m, ground, driver, ctx.settings).side


def _smallest(*bounds: Bound) -> Bound:
    return min(bounds, key=lambda b: b.limit)


def _x(gradient: float, steepest: float) -> float:
    return round(100.0 * gradient / steepest, 2)


def _y(share: float) -> float:
    return round(50.0 - 100.0 * (share - 0.5), 2)
