"""Names in the made-up dialect of a made-up valley, and what its farm lead says about each field."""

from __future__ import annotations

import numpy as np

VALLEY = "Olvertsch"
FARM = "Trellska"
NAMES = {
    "mill": "Mülveska", "yard": "Trellveska", "little": "Bitzla", "broad": "Breida Veska", "outer": "Ussaveska",
    "sun": "Sunnarün", "crook": "Krumpa Rün", "ledge": "Anzelrün", "stone": "Grotzarün", "walls": "Murenlak",
    "hang": "Hengslak", "pair": "Zwaibletta", "bench": "Wintalism", "high": "Obra Schrof", "dark": "Finsterün",
    "pit": "Grubarün",
}  # fmt: skip
GATE_NAMES = ("gate on the shady road", "gate on the valley road", "gate on the bench track")
NOTES = dict.fromkeys(NAMES, "")
FIRST_PASS = dict.fromkeys(NAMES, "")
FIRST = ("Al", "Bor", "Drü", "Esk", "Fal", "Gor", "Hel", "Ild", "Jaz", "Kel", "Lum", "Mor", "Nur", "Ost", "Pel")
LAST = ("ba", "tscha", "va", "nna", "rka", "lla", "zza", "mma")


def field_name(key: str, stretch: int, seed: int) -> str:
    """The plan's own name on the first stretch, with a made-up word before it on the others."""
    return NAMES[key] if stretch == 0 else f"{_word(seed, stretch, 1)} {NAMES[key]}"


def farm_name(number: int, seed: int) -> str:
    return f"{_word(seed, number, 2)}ska {number + 1}"


def _word(seed: int, number: int, kind: int) -> str:
    rng = np.random.default_rng([seed, number, kind])
    return FIRST[rng.integers(len(FIRST))] + LAST[rng.integers(len(LAST))]
