"""What the farm lead changes by hand: mark, retire, storm, release. Each is one transaction; nothing is deleted.

Every function raises FarmFileError (or a class under it) with one sentence and leaves the file as it was.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

from pyproj import CRS
from pyproj.exceptions import ProjError
from shapely.geometry.base import BaseGeometry

from atlas.errors import FarmFileError, RowError
from atlas.farm import change_clock, change_hazards, change_history, values
from atlas.farm.assumptions import listed
from atlas.farm.change_checks import NAME_CHARACTERS, NOTE_CHARACTERS, check_kind, check_text, check_values
from atlas.farm.change_clock import Tell, in_silence
from atlas.farm.change_fields import nearest_field
from atlas.farm.change_places import FarmChange, changing
from atlas.farm.edit import WAIT_S
from atlas.farm.edit_rows import quoted
from atlas.farm.outlines import could_be_degrees
from atlas.farm.records import GROUNDS
from atlas.farm.reprojecting import bring
from atlas.farm.schema import FAR_OFF_M
from atlas.settings import Settings

LON_LAT = CRS.from_epsg(4326)
DEFAULTS = Settings()
LONG_RELEASE = timedelta(days=31)  # longer than any spell of hay weather


def mark(
    path: Path,
    kind: str,
    geometry: BaseGeometry,
    lonlat: bool = False,
    severity: int | None = None,
    reach_m: float | None = None,
    accuracy_m: float | None = None,
    depth_m: float | None = None,
    note: str = "",
    by: str = "",
    seen_at: datetime | None = None,
    settings: Settings = DEFAULTS,
    wait_s: float = WAIT_S,
    now: datetime | None = None,
    tell: Tell = in_silence,
) -> str:
    """Add a marking and return its new hazard_id.

    `geometry` is in the farm's CRS (the terrain's where that is in metres, else the parcels'), or in longitude
    and latitude with `lonlat`. `seen_at` is now unless told; a time without zone is local. Where rows of the file
    are still to come by the clock, `tell` gets a sentence, and now is not before any of them. Raises RowError for
    a value that cannot be meant, a moment still to come by the clock and by every row, or a place far from every
    field.
    """
    check_kind(kind)
    check_values(severity, reach_m, accuracy_m, depth_m, note, by)
    if geometry.is_empty:
        raise RowError("mark: the geometry is empty; give a point, a line or an area.")
    row: dict[str, Any] = {
        "hazard_id": str(uuid.uuid4()),
        "kind": kind,
        "severity": severity,
        "reach_m": reach_m,
        "accuracy_m": accuracy_m,
        "depth_m": depth_m,
        "note": note or None,
        "seen_by": by or None,
    }
    with changing(path, settings, wait_s) as change:
        if seen_at is not None:
            change_clock.refuse_ahead(change, aware(now), aware(seen_at), "mark", "was seen")
        row["seen_at"] = change_clock.seen(change, aware(now), None if seen_at is None else aware(seen_at), tell)
        shape = in_farm(change, geometry, LON_LAT if lonlat else change.crs)
        away = nearest_field(change, shape, FAR_OFF_M).metres
        if away > FAR_OFF_M:
            system = "longitude, latitude" if lonlat else change.crs.name
            if not lonlat and could_be_degrees(geometry):
                system += "; longitude and latitude want --lonlat"
            raise RowError(
                f"{path}: the mark at {_place(geometry)} lies more than {FAR_OFF_M:.0f} m from every field; check "
                f"the order of the coordinates, which are taken as {system}."
            )
        change.add_row(change.place_for(shape), row, shape)
    return str(row["hazard_id"])


def retire(
    path: Path,
    hazard_id: str,
    by: str = "",
    at: datetime | None = None,
    settings: Settings = DEFAULTS,
    wait_s: float = WAIT_S,
) -> None:
    """Say that a hazard is gone. Raises RowError where it is unknown or was retired before, and where rows of the
    file are still to come by the clock: the marking may be newer than this word on it.
    """
    check_text("by", by, NAME_CHARACTERS)
    when = aware(at)
    with changing(path, settings, wait_s) as change:
        change_clock.refuse_behind(change, when, "so the marking stays", "retire it")
        standing = change_hazards.find(change, hazard_id)
        retire_row(change, standing, by, max(when, standing.seen_at or when))


def storm(
    path: Path,
    passed_at: datetime,
    note: str = "",
    settings: Settings = DEFAULTS,
    wait_s: float = WAIT_S,
    now: datetime | None = None,
    tell: Tell = in_silence,
) -> str:
    """Write down a storm and return its storm_id; it ends all releases given before it passed.

    Where rows of the file are still to come by the clock, `tell` gets a sentence; and where fields were released
    since it passed, which holds. Raises RowError for a storm that is still to come by the clock and by every row
    of the file: nothing could be released until then.
    """
    check_text("note", note, NOTE_CHARACTERS)
    row = {"storm_id": str(uuid.uuid4()), "passed_at": aware(passed_at), "note": note or None}
    with changing(path, settings, wait_s) as change:
        change_clock.refuse_ahead(change, aware(now), aware(passed_at), "storm", "had passed")
        change_clock.seen(change, aware(now), aware(passed_at), tell)
        change.add_row(change.storms(), row)
        if held := change_clock.still_released(change, aware(now)):
            tell(
                f"released since it passed, and still released: {listed(held)}; if they are not to be driven, "
                "write down the storm again with a later moment"
            )
    return str(row["storm_id"])


def release(
    path: Path,
    field_ids: Iterable[str] | Literal["all"],
    ground: str,
    until: datetime,
    by: str,
    at: datetime | None = None,
    settings: Settings = DEFAULTS,
    wait_s: float = WAIT_S,
    tell: Tell = in_silence,
) -> tuple[str, ...]:
    """Release fields on a ground until a moment; returns their ids. A release longer than `LONG_RELEASE` is given,
    and `tell` gets a sentence.

    Raises RowError for an unknown field, and where the last storm or rows of the file are still to come by the
    clock: the release may be older than they are.
    """
    if ground not in GROUNDS:
        raise RowError(f"release: ground is '{ground[:40]}'; it is one of {', '.join(GROUNDS)}.")
    check_text("by", by, NAME_CHARACTERS)
    if not by.strip():
        raise RowError("release: says not by whom; give the name of who releases.")
    from_then, end = aware(at), aware(until)
    if end <= from_then:
        first, last = (x.isoformat(timespec="minutes") for x in (from_then, end))
        raise RowError(f"release: until {last} is not after {first}; give a later time.")
    with changing(path, settings, wait_s) as change:
        wanted = _field_ids(change, field_ids)
        change_clock.refuse_behind(change, from_then, "so nothing is released", "release")
        from_then = change_clock.after_storms_and_releases(change, from_then)
        place = change.releases()
        for field_id in wanted:
            change.add_row(
                place,
                {
                    "field_id": field_id,
                    "ground": ground,
                    "released_by": by,
                    "released_at": from_then,
                    "until": end,
                },
            )
    if end - from_then > LONG_RELEASE:
        tell(
            f"released for {(end - from_then).days} days, until {end:%Y-%m-%d %H:%M} UTC, and ground changes by "
            "the hour; if the date is a slip of the pen, release again with the right one"
        )
    return wanted


def retire_row(
    change: FarmChange,
    standing: change_hazards.Standing,
    by: str,
    at: datetime,
    source: change_history.Source = change_history.BY_HAND,
    recorded_at: datetime | None = None,
) -> None:
    """Retire a row within an open change; `at` is when it was seen gone, `recorded_at` (else the same) when the
    file learned of it. Raises RowError where it was retired before.
    """
    if standing.retired_at is not None:
        day = standing.retired_at.date().isoformat()
        raise RowError(f"{change.path}: hazard '{standing.hazard_id}' was retired before, on {day}.")
    change_history.remember(
        change,
        standing.place,
        standing.key,
        standing.hazard_id,
        "gone",
        by,
        recorded_at or at,
        ("retired_at", "retired_by"),
        source=source,
    )
    place = change.with_columns(standing.place, {"retired_at": at, "retired_by": by or None})
    change.change_row(place, standing.key, {"retired_at": at, "retired_by": by or None})


def in_farm(change: FarmChange, shape: BaseGeometry, source: CRS) -> BaseGeometry:
    """A shape in the farm's CRS. Raises RowError where its coordinates have no place there."""
    try:
        brought = bring(shape, source, change.crs)
    except ProjError as e:
        raise RowError(f"{change.path}: {_place(shape)} has no place in {change.crs.name}.") from e
    if not all(math.isfinite(v) for v in brought.bounds):
        raise RowError(f"{change.path}: {_place(shape)} has no place in {change.crs.name}.")
    return brought


def aware(moment: datetime | None) -> datetime:
    """The moment in UTC to the thousandth of a second, as files keep it; None is now, no zone is local time."""
    found = (moment or datetime.now(UTC)).astimezone(UTC)
    return found.replace(microsecond=found.microsecond // 1000 * 1000)


def _field_ids(change: FarmChange, wanted: Iterable[str] | Literal["all"]) -> tuple[str, ...]:
    if "field_id" not in change.parcels.columns:
        raise FarmFileError(f"{change.path}: its parcels have no field_id; name their id under [columns].")
    column, name = change.parcels.columns["field_id"], change.parcels.table.name
    found = change.db.execute(f"SELECT {quoted(column)} FROM {quoted(name)} ORDER BY 1")
    known = {values.text(row[0]) for row in found} - {""}
    if wanted == "all":
        return tuple(sorted(known))
    asked = tuple(dict.fromkeys([wanted] if isinstance(wanted, str) else wanted))
    for field_id in asked:
        if field_id not in known:
            raise RowError(
                f"{change.path}: has no field '{field_id[:80]}'; see its fields with field-atlas inspect."
            )
    if not asked:
        raise RowError("release: names no field; give fields or all of them.")
    return asked


def _place(shape: BaseGeometry) -> str:
    point = shape.representative_point() if not shape.is_empty else None
    return "nowhere" if point is None else f"{point.x:.10g}, {point.y:.10g}"
