"""The words people read, one per thing, from the file's key to the page's label.

Labels stand here in English and are passed through the page's gettext when rendered; `N_` marks them for the
catalogue. Steepness is always written as "40 % (22°)".
"""

from __future__ import annotations

import math

from atlas.languages import spoken


def N_(text: str) -> str:  # noqa: N802 (the usual gettext marker)
    """Mark a label for translation; the text itself is returned."""
    return text


ZONES = {
    "any_way": N_("drive in any direction"),
    "up_down": N_("straight up or down, never across"),
    "on_foot": N_("hand work, no driving"),
    "keep_out": N_("keep out"),
    "unsurveyed": N_("not measured: keep out"),
    "cut_off": N_("no way in for this machine"),
    "no_turn": N_("no room to turn: back out"),
}
GROUNDS = {
    "firm": N_("firm and dry"),
    "damp": N_("damp"),
    "wet": N_("wet"),
    "parched": N_("dry and slippery"),
    "hay_down": N_("cut hay lying"),
}
DRIVERS = {"new": N_("new driver"), "practised": N_("practised driver")}
HAZARDS = {
    "wet_spot": N_("wet spot"),
    "unstable_bank": N_("bank that gives way"),
    "forest_edge": N_("forest edge, clear by hand"),
    "obstacle": N_("obstacle"),
    "overhead_line": N_("overhead line"),
    "no_go": N_("the lead says no"),
    "slip": N_("a machine slipped here"),
}
SEVERITIES = {1: N_("boot prints stay"), 2: N_("boot sinks"), 3: N_("over the ankle")}


def steep(rise_over_run: float) -> str:
    """Steepness as people read it: percent, degrees in brackets, both rounded to whole numbers."""
    return f"{round(rise_over_run * 100)} % ({round(math.degrees(math.atan(rise_over_run)))}°)"


def number(value: float, decimals: int = 0) -> str:
    """A number with the language's decimal sign. Thousands are set apart by a narrow space that does not break,
    in every language: a point or a comma there would be read as the decimal sign by someone used to another."""
    return _signed(f"{value:,.{decimals}f}")


def short(value: float) -> str:
    """A number with as many decimals as it has, up to six digits in all: "2.1", "3"."""
    return _signed(f"{value:g}")


def _signed(text: str) -> str:
    return text.replace(",", "\u202f").replace(".", spoken().decimal_sign)
