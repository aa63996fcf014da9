"""Why a cell got its verdict: every rule with the tilt found and the tilt allowed, for a tapped place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from atlas.driving.limits import Limits, stance_error
from atlas.driving.records import Drive, Reason, Tilt, Zone

Rule = Literal["side", "climb", "grip", "on_foot"]


@dataclass(frozen=True)
class Check:
    """One rule at one place, rise over run: `found` + `sinking` + `error` against `allowed`."""

    rule: Rule
    found: float
    sinking: float
    error: float
    allowed: float
    origin: str  # "handbook", "overturning", "grip up", "grip down", "hand work"

    @property
    def counted(self) -> float:
        return self.found + self.sinking + self.error

    @property
    def share(self) -> float:
        """Of the limit, 1 when it is just used up."""
        return self.counted / self.allowed


@dataclass(frozen=True)
class Explanation:
    """A verdict with the numbers on both sides: at every heading, and near straight up or down."""

    zone: Zone
    reason: Reason | None  # None where a marking decided
    tag: int  # the marking's number, or 0
    any_way: tuple[Check, ...]
    up_down: tuple[Check, ...]
    on_foot: Check

    @property
    def decided(self) -> Check | None:
        """The check that decided, None where it was not a limit of the machine or of hand work."""
        if self.reason == Reason.ON_FOOT:
            return self.on_foot
        rule = _RULES.get(self.reason) if self.reason is not None else None
        checks = self.up_down if self.zone >= Zone.ON_FOOT else self.any_way
        return next((c for c in checks if c.rule == rule), None)


_RULES: dict[Reason, Rule] = {
    Reason.SIDE: "side",
    Reason.CLIMB: "climb",
    Reason.GRIP_UP: "grip",
    Reason.GRIP_DOWN: "grip",
}


def explain(drive: Drive, tilt: Tilt, steepness: float, lim: Limits, row: int, col: int) -> Explanation:
    """The numbers behind one cell of a drive. `lim` are the limits that held there (`softened` on a wet spot)."""
    code = int(drive.reason[row, col])
    marked = code >= Reason.TAG
    at = (row, col)
    return Explanation(
        zone=Zone(int(drive.zone[at])),
        reason=None if marked else Reason(code),
        tag=code - Reason.TAG if marked else 0,
        any_way=_checks(float(tilt.any_roll[at]), float(tilt.any_pitch[at]), float(tilt.any_stance[at]), lim),
        up_down=_checks(float(tilt.fall_roll[at]), float(tilt.fall_pitch[at]), float(tilt.fall_stance[at]), lim),
        on_foot=Check("on_foot", steepness, 0.0, 0.0, lim.on_foot, "hand work"),
    )


def _checks(roll: float, pitch: float, stance: float, lim: Limits) -> tuple[Check, ...]:
    error = stance_error(np.array(roll), np.array(pitch), np.array(stance), lim.roll_error, lim.pitch_error)
    return (
        Check("side", roll, lim.roll_sink, lim.roll_error, lim.side, lim.side_from),
        Check("climb", pitch, lim.pitch_sink, lim.pitch_error, lim.climb, lim.climb_from),
        Check("grip", stance, 0.0, float(error), lim.grip, lim.grip_from),
    )
