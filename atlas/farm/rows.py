"""From a layer's rows to records: defaults filled in, what cannot be used refused with layer and row."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

import shapely
from shapely.geometry import MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from atlas.farm import slugs, values
from atlas.farm.nameless import nameless_id
from atlas.farm.records import GROUNDS, HAZARD_KINDS, Hazard, Parcel, Release, Storm, WayIn
from atlas.farm.schema import ACCURACY_M, FOREST_REACH_M, REACH_M, SEVERITY
from atlas.farm.table import Row, Table


def parcels(table: Table) -> tuple[Parcel, ...]:
    """One parcel per usable row. No id, an id twice, no shape or no area is refused."""
    times = Counter(row.text("field_id") for row in table)
    kept: list[tuple[Row, Polygon | MultiPolygon]] = []
    for row in table:
        identity, nowhere = row.text("field_id"), row.refused
        if "field_id" in table.lacking:
            pass  # said once of the whole layer, not of each row
        elif not identity:
            row.refuse("has no field_id; give it one that no other field has")
        elif times[identity] > 1:
            row.refuse(f"field_id '{identity}' stands {times[identity]} times; give each field its own")
        shape = _areas(row.shape)
        if row.shape is None and not nowhere:  # else why is said
            row.refuse("has no outline; draw it or delete the row")
        elif row.shape is not None and shape is None:
            row.refuse(f"is a {row.shape.geom_type} and not an area; draw its outline")
        row.remarks = [replace(remark, field_id=identity) for remark in row.remarks]
        if identity and shape is not None:
            kept.append((row, shape))
    given = slugs.give((row.text("name"), row.text("field_id")) for row, _ in kept)
    return tuple(
        Parcel(
            field_id=row.text("field_id"),
            slug=slug,
            name=row.text("name") or row.text("field_id"),
            use=sys.intern(row.text("use")),
            note=row.text("note"),
            first_pass=sys.intern(row.text("first_pass")),
            farm=sys.intern(row.text("farm")),
            shape=shape,
        )
        for (row, shape), slug in zip(kept, given, strict=True)
    )


def _areas(shape: BaseGeometry | None) -> Polygon | MultiPolygon | None:
    """The areas of a shape (mending may leave lines and points behind); None without any."""
    if shape is None:
        return None
    if isinstance(shape, Polygon | MultiPolygon):
        return shape if shape.area > 0 else None
    parts = [p for p in shapely.get_parts(shape) if isinstance(p, Polygon | MultiPolygon)]
    flat = [p for part in parts for p in shapely.get_parts(part) if p.area > 0]
    if not flat:
        return None
    return flat[0] if len(flat) == 1 else MultiPolygon(flat)


def hazards(tables: Iterable[Table]) -> tuple[tuple[Hazard, Row], ...]:
    """All usable markings with their rows, retired and future ones too. Unknown kinds are refused."""
    found = []
    seen: Counter[str] = Counter()
    for row in (row for table in tables for row in table):
        hazard = _hazard(row)
        if hazard is not None:
            seen[hazard.hazard_id] += 1
            if (times := seen[hazard.hazard_id]) > 1 and "hazard_id" in hazard.assumed:
                hazard = replace(hazard, hazard_id=f"{hazard.hazard_id}-{times}")
            elif times > 1:
                row.refuse(f"hazard_id '{hazard.hazard_id}' stands twice; give each marking its own")
            found.append((hazard, row))
    return tuple(found)


def _hazard(row: Row) -> Hazard | None:
    nowhere = row.refused
    told = values.kind_key(row.cells.get("kind"))
    kind = next((k for k in HAZARD_KINDS if k == told), None)
    if kind is None:
        row.refuse(f"kind is '{row.text('kind')}'; it is one of {', '.join(HAZARD_KINDS)}")
    if row.shape is None and not nowhere:  # else why is said
        row.refuse("has no place; draw it or retire it")
    if kind is None or row.shape is None:
        return None
    assumed: list[str] = []
    reach = _length(row, "reach_m", FOREST_REACH_M if kind == "forest_edge" else REACH_M, assumed)
    accuracy = _length(row, "accuracy_m", ACCURACY_M, assumed)
    severity = _severity(row, assumed)
    identity = row.text("hazard_id")
    if not identity:
        identity = nameless_id(row.layer, kind, row.stored)
        assumed.append("hazard_id")
    depth = row.number_in("depth_m")
    if depth is not None and depth < 0:
        row.refuse(f"depth_m is {depth:g}; write how deep the bank is, not below zero")
    photo = row.cells.get("photo")
    return Hazard(
        hazard_id=identity,
        kind=kind,
        severity=severity,
        reach_m=reach,
        accuracy_m=accuracy,
        depth_m=depth,
        note=row.text("note"),
        photo=photo if isinstance(photo, bytes) and photo else None,
        seen_at=row.moment("seen_at"),
        seen_by=sys.intern(row.text("seen_by")),
        shape=row.shape,
        assumed=tuple(assumed),
    )


def _length(row: Row, column: str, default: float, assumed: list[str]) -> float:
    found = row.number_in(column)
    if found is None:
        assumed.append(column)
        return default
    if not 0 <= found <= 1000:
        row.refuse(f"{column} is {found:g} m; it lies between 0 and 1000")
        return default
    return found


def _severity(row: Row, assumed: list[str]) -> int:
    found = row.number_in("severity")
    if found is None:
        assumed.append("severity")
        return SEVERITY
    if found not in (1, 2, 3):
        row.refuse(f"severity is {found:g}; it is 1, 2 or 3")
        return 3
    return int(found)


def ways_in(table: Table) -> tuple[WayIn, ...]:
    """Gates and ramps; one drawn as a line or area stands at a point on it."""
    found = []
    for row in table:
        if row.shape is None:
            row.say("has no place and is left out")
            continue
        shape = row.shape if isinstance(row.shape, Point) else row.shape.representative_point()
        if not isinstance(row.shape, Point) and shapely.get_num_geometries(row.shape) > 1:
            row.say("has several points; one of them is used")
        identity = row.text("way_in_id") or f"{row.layer}-{row.number}"
        found.append(
            WayIn(
                way_in_id=identity,
                name=row.text("name") or identity,
                width_m=row.number_in("width_m"),
                max_load_t=row.number_in("max_load_t"),
                ambulance=row.yes("ambulance"),
                note=row.text("note"),
                shape=shape,
            )
        )
    return tuple(found)


def storms(table: Table) -> tuple[Storm, ...]:
    """Storms in the order in which they were over. One without its day is refused: nobody could tell what it
    ended."""
    found = []
    for row in table:
        passed = row.moment("passed_at")
        if passed is None:
            row.refuse("passed_at is missing; write when the storm had passed")
            continue
        day_only = values.is_day(row.cells.get("passed_at"))
        if day_only:
            row.say(
                "passed_at has no time, so nothing seen or released that day counts as after it; write the time"
            )
        found.append(Storm(row.text("storm_id") or row.number, passed, row.text("note"), day_only))
    return tuple(sorted(found, key=lambda s: s.over_by))


def releases(table: Table) -> tuple[Release, ...]:
    """Releases in file order. One that is not whole is left out and said: an unreleased field is wet."""
    found = []
    for row in table:
        at, until, ground = row.moment("released_at"), row.moment("until"), row.text("ground")
        if at is None or until is None or not row.text("field_id"):
            row.say("is left out: it needs field_id, released_at and until")
        elif ground not in GROUNDS:
            row.say(f"is left out: ground is '{ground}', not one of {', '.join(GROUNDS)}")
        else:
            found.append(Release(row.text("field_id"), ground, row.text("released_by"), at, until))
    return tuple(found)
