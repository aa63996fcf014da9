"""How the ground holds today: the built-in example grounds, each with where its grip comes from."""

from __future__ import annotations

from dataclasses import dataclass

from atlas.settings import GroundTable
from atlas.words import N_

NEEDED = "wet"  # what an unreleased field counts as, so it must always be known


@dataclass(frozen=True)
class Ground:
    """One state of the ground. `grip` is a friction number, `grip_low` to `grip_high` what sources say of it."""

    key: str
    grip: float
    sink_m: float
    source: str
    grip_low: float
    grip_high: float
    example: bool
    slippery: bool  # the lower limit for hand work holds

    def no_better_than(self, other: Ground) -> bool:
        """Whether a worker may choose this ground where `other` was released."""
        return self.grip <= other.grip and self.sink_m >= other.sink_m


# what the notes on grip below name in braces
SOURCES = {
    "noon": "Noon, Engineering Analysis of Vehicular Accidents (1994)",
    "wong": "Wong, Theory of Ground Vehicles (2nd ed. 1993)",
}

BUILT_IN = {
    "firm": Ground(
        "firm",
        0.60,
        0.0,
        N_(
            "Between dry earth road, 0.65 to 0.68 ({wong}), and dirt road, 0.35 ({noon}); lugged tyres on a dry, "
            "closed sward: common practice, no source"
        ),
        0.35,
        0.68,
        True,
        False,
    ),
    "damp": Ground(
        "damp", 0.40, 0.02, N_("Between firm and wet: common practice, no source"), 0.20, 0.55, True, True
    ),
    "wet": Ground(
        "wet",
        0.25,
        0.05,
        N_(
            "Wet grassy field, 0.20 ({noon}), which the fifth kept in hand comes to; wet earth road, 0.40 to 0.55 "
            "({wong})"
        ),
        0.20,
        0.55,
        True,
        True,
    ),
    "parched": Ground(
        "parched", 0.40, 0.0, N_("Dry, dusty sward: common practice, no source"), 0.20, 0.65, True, True
    ),
    "hay_down": Ground(
        "hay_down",
        0.35,
        0.0,
        N_("Cut hay between tyre and sward: common practice, no source"),
        0.20,
        0.40,
        True,
        True,
    ),
}


def grounds(tables: dict[str, GroundTable]) -> dict[str, Ground]:
    """The grounds a farm names, or the built-in examples where it names none; `wet` is always among them."""
    if not tables:
        return dict(BUILT_IN)
    named = {
        key: Ground(key, t.grip, t.sink_m, N_("set by the farm"), t.grip, t.grip, False, key != "firm")
        for key, t in tables.items()
    }
    named.setdefault(NEEDED, BUILT_IN[NEEDED])
    return named
