"""Turns what stands in a foreign file's cell into text, a number, yes or no, or a moment in UTC."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from typing import Any

from atlas.errors import RowError

YES = {"1", "true", "t", "yes", "y", "ja", "j", "oui", "si", "sì"}
NO = {"0", "false", "f", "no", "n", "nein", "non", ""}
# Control signs but tab and line ends, and those that embed, override or isolate a direction.
_UNSHOWN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
_DAY = re.compile(r"\d{4}[-/]?(\d{2}[-/]?\d{2}|W\d{2}(-?\d)?)")  # as `datetime.fromisoformat` reads them
NULLS = {"", "null", "none", "nan", "<null>", "n/a", "-"}


def text(value: Any) -> str:
    """Text with its ends trimmed; nothing becomes ''; a whole number loses the '.0' a gap elsewhere gave it."""
    if _missing(value):
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace").strip()
    return str(value).strip()


def shown(value: Any) -> str:
    """Text as pages and paper show it: signs that turn the reading direction of what stands beside them, or are
    orders to a machine, become a sign for "here is something that cannot be shown"."""
    return _UNSHOWN.sub("\ufffd", text(value))


def number(value: Any) -> float | None:
    """A finite number, also from text with a decimal comma; None where nothing stands. Raises RowError."""
    if _missing(value):
        return None
    if isinstance(value, str):
        if value.strip().lower() in NULLS:
            return None
        value = value.strip().replace(",", ".") if value.count(",") == 1 and "." not in value else value.strip()
    try:
        found = float(value)
    except (TypeError, ValueError) as e:
        raise RowError(f"is {value!r}, not a number") from e
    if not math.isfinite(found):
        raise RowError(f"is {value!r}, not a number")
    return found


def yes(value: Any) -> bool:
    """Yes or no; nothing counts as no. Raises RowError for anything else."""
    word = text(value).lower()
    if word in YES:
        return True
    if word in NO or word in NULLS:
        return False
    raise RowError(f"is {value!r}, neither yes nor no")


def kind_key(value: Any) -> str:
    """A kind as people write it ("Wet spot") in the form of our keys; "" for none."""
    return text(value).lower().replace(" ", "_")


def moment(value: Any) -> tuple[datetime | None, bool]:
    """An aware UTC moment, and whether it came without a zone and was read as UTC. Raises RowError.

    A date alone is its first minute, so that whatever was seen that day never counts as newer than it may be.
    """
    if isinstance(value, datetime):
        return (value.astimezone(UTC), False) if value.tzinfo else (value.replace(tzinfo=UTC), True)
    word = text(value)
    if word.lower() in NULLS:
        return None, False
    try:
        found = datetime.fromisoformat(word.replace("/", "-"))
    except ValueError as e:
        raise RowError(f"is {word[:60]!r}, not a time like 2026-05-04T06:10:00Z") from e
    try:
        return (found.astimezone(UTC), False) if found.tzinfo else (found.replace(tzinfo=UTC), True)
    except (OverflowError, ValueError) as e:
        raise RowError(f"is {word[:60]!r}, not a time like 2026-05-04T06:10:00Z") from e


def is_day(value: Any) -> bool:
    """Whether a cell that holds a moment tells the day alone."""
    return not isinstance(value, datetime) and _DAY.fullmatch(text(value)) is not None


def _missing(value: Any) -> bool:
    return (
        value is None
        or (isinstance(value, float) and math.isnan(value))
        or type(value).__name__ in ("NaTType", "NAType")
    )
