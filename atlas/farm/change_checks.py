"""What a marking's values may be, the same for the lead's own marks and for those from tablets."""

from __future__ import annotations

from atlas.errors import RowError
from atlas.farm.records import HAZARD_KINDS

NOTE_CHARACTERS = 500
NAME_CHARACTERS = 100
MOST_M = 1000.0


def check_kind(kind: str) -> None:
    """Raises RowError for a kind of hazard that is none of ours."""
    if kind not in HAZARD_KINDS:
        raise RowError(f"kind is '{kind[:40]}'; it is one of {', '.join(HAZARD_KINDS)}.")


def check_values(
    severity: int | None,
    reach_m: float | None,
    accuracy_m: float | None,
    depth_m: float | None,
    note: str,
    by: str,
) -> None:
    """Raises RowError for the first value of a marking that cannot be meant."""
    if severity is not None and severity not in (1, 2, 3):
        raise RowError(f"severity is {severity}; it is 1, 2 or 3.")
    for name, value in (("reach_m", reach_m), ("accuracy_m", accuracy_m), ("depth_m", depth_m)):
        if value is not None and not 0 <= value <= MOST_M:
            raise RowError(f"{name} is {value:g} m; it lies between 0 and {MOST_M:.0f}.")
    check_text("note", note, NOTE_CHARACTERS)
    check_text("by", by, NAME_CHARACTERS)


def check_text(name: str, text: str, most: int) -> None:
    """Raises RowError for text that is too long or holds signs that are no text."""
    if len(text) > most:
        raise RowError(f"{name} has {len(text)} characters; shorten it to {most}.")
    if any((ord(c) < 32 and c not in "\n\t") or 0x7F <= ord(c) < 0xA0 or 0xD800 <= ord(c) < 0xE000 for c in text):
        raise RowError(f"{name} holds control characters; write it as plain text.")
