"""One feature of a marks file: a new mark, or word that a hazard is still there or gone."""

from __future__ import annotations

import hashlib
import json
import math
import re
import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from shapely.geometry.base import BaseGeometry

from atlas.errors import RowError
from atlas.farm import pictures, values
from atlas.farm.change_checks import check_kind, check_text, check_values
from atlas.farm.marks_shapes import shape_from

CLOCK_ERROR = timedelta(minutes=10)  # how far a tablet's clock may run ahead
ID_CHARACTERS = 100
_MARKUP = re.compile(r"<\s*[a-zA-Z/!?]")
_READ = ("kind", "severity", "reach_m", "accuracy_m", "depth_m", "note", "seen_at", "seen_by")

Word = Literal["new", "still there", "gone"]


@dataclass(frozen=True)
class Mark:
    """A checked feature; `shape` is in longitude and latitude, `photo` a JPEG of ours, times are UTC."""

    number: int
    word: Word
    hazard_id: str
    kind: str
    severity: int | None
    reach_m: float | None
    accuracy_m: float | None
    depth_m: float | None
    note: str
    photo: bytes | None
    seen_at: datetime | None
    seen_by: str
    shape: BaseGeometry | None
    digest: str


def read_row(number: int, feature: object, now: datetime, budget: pictures.Budget) -> Mark:
    """Check a feature. Raises RowError with the reason, to stand after "feature N"."""
    told, geometry = _parts(feature)
    word, reference = _word(told)
    kind = _text(told, "kind", 40).lower()
    severity = _severity(told)
    reach_m, accuracy_m, depth_m = (_number(told, name) for name in ("reach_m", "accuracy_m", "depth_m"))
    note, seen_by = _text(told, "note", None), _text(told, "seen_by", None)
    if word == "new" or kind:
        check_kind(kind)
    check_values(severity, reach_m, accuracy_m, depth_m, note, seen_by)
    if word == "still there" and severity is None:
        raise RowError("says 'still there' without a severity; give 1, 2 or 3 as it is now")
    digest = _digest(word, reference, told, geometry)
    return Mark(
        number=number,
        word=word,
        hazard_id=reference or str(uuid.uuid5(uuid.NAMESPACE_OID, digest)),
        kind=kind,
        severity=severity,
        reach_m=reach_m,
        accuracy_m=accuracy_m,
        depth_m=depth_m,
        note=note,
        photo=None if told.get("photo") in (None, "") else pictures.from_text(told["photo"], budget),
        seen_at=_seen_at(told, now),
        seen_by=seen_by,
        shape=shape_from(geometry) if word == "new" else None,
        digest=digest,
    )


def _parts(feature: object) -> tuple[dict[str, Any], object]:
    """Properties and geometry; a writer may put `seen_again` and `gone` beside them."""
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        raise RowError("is not a GeoJSON feature")
    told = feature.get("properties")
    if told is not None and not isinstance(told, dict):
        raise RowError("has properties that are no table of names and values")
    beside = {name: feature[name] for name in ("seen_again", "gone") if name in feature}
    return {**(told or {}), **beside}, feature.get("geometry")


def _word(told: dict[str, Any]) -> tuple[Word, str]:
    """What the feature says, and the id it says it of ("" for a new mark without one)."""
    again, gone = told.get("seen_again"), told.get("gone")
    if again is not None and gone is not None:
        raise RowError("says both 'still there' and 'gone'")
    if again is not None:
        return "still there", _reference(again)
    if gone is not None:
        return "gone", _reference(gone)
    given = told.get("hazard_id")
    if given is None or given == "":
        return "new", ""
    try:
        return "new", str(uuid.UUID(given))
    except (ValueError, AttributeError, TypeError) as e:
        raise RowError(f"its hazard_id {str(given)[:50]!r} is no UUID; mark it again") from e


def _reference(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > ID_CHARACTERS:
        raise RowError(f"names the hazard {str(value)[:50]!r}; give its hazard_id")
    return value.strip()


def _text(told: dict[str, Any], name: str, most: int | None) -> str:
    value = told.get(name)
    if value is None:
        return ""
    if not isinstance(value, str):
        raise RowError(f"{name} is {str(value)[:40]!r} and no text")
    if _MARKUP.search(value[:100_000]):
        raise RowError(f"{name} holds markup; write it in plain words")
    if most is not None:
        check_text(name, value, most)
    return value.strip()


def _number(told: dict[str, Any], name: str) -> float | None:
    value = told.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not _finite(value):
        raise RowError(f"{name} is {str(value)[:40]!r} and no number")
    return float(value)


def _finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _severity(told: dict[str, Any]) -> int | None:
    value = _number(told, "severity")
    if value is None:
        return None
    if value not in (1, 2, 3):
        raise RowError(f"severity is {value:g}; it is 1, 2 or 3")
    return int(value)


def _seen_at(told: dict[str, Any], now: datetime) -> datetime | None:
    given = told.get("seen_at")
    if given is not None and not isinstance(given, str):
        raise RowError(f"seen_at is {str(given)[:40]!r}, not a time like 2026-05-04T06:10:00Z")
    try:
        found = values.moment(given)[0]
    except RowError as e:
        raise RowError(f"seen_at {e}") from e
    if found is None:
        return None
    if found > now + CLOCK_ERROR:
        ahead = found.isoformat(timespec="minutes")
        raise RowError(f"was seen at {ahead}, which is still to come; set the tablet's clock right")
    return found.replace(microsecond=found.microsecond // 1000 * 1000)


def _digest(word: str, reference: str, told: dict[str, Any], geometry: object) -> str:
    """The same feature has the same digest, whatever else its file says."""
    parts: dict[str, Any] = {name: told[name] for name in _READ if told.get(name) is not None}
    if isinstance(told.get("photo"), str):
        parts["photo"] = hashlib.sha256(told["photo"].encode("utf-8", "replace")).hexdigest()
    if word == "new" and isinstance(geometry, dict):
        parts["geometry"] = {name: geometry.get(name) for name in ("type", "coordinates")}
    try:
        text = json.dumps([word, reference, parts], sort_keys=True)
    except RecursionError as e:
        raise RowError("is nested too deep") from e
    return hashlib.sha256(text.encode()).hexdigest()
