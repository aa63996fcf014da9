"""The rows of the demo's layers, one function for each layer."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from shapely.geometry import MultiPolygon, Polygon

from atlas.farm import demo_picture, demo_plan, demo_sense, demo_words
from atlas.farm.demo_land import FIELDS_A_STRETCH, Land
from atlas.farm.demo_shapes import Placer

STORM = datetime(2026, 6, 10, 21, 30, tzinfo=UTC)
LEAD = "Ansa Vrelling"
HAND = "Jorwin Teskal"
FARM_FROM = 100  # with more fields than this they are grouped into farms
FIELDS_A_FARM = 40

Row = dict[str, Any]


@dataclass(frozen=True)
class DemoField:
    """One field on the map, with the plan it came from."""

    field_id: str
    planned: demo_plan.PlannedField
    placer: Placer
    shape: Polygon | MultiPolygon


def place_fields(land: Land) -> Iterator[DemoField]:
    """All fields of the landscape, stretch by stretch."""
    digits = max(2, len(str(land.fields)))
    for stretch in land.stretches:
        placer = Placer(land, stretch)
        for i, planned in enumerate(demo_plan.FIELDS):
            number = stretch.number * FIELDS_A_STRETCH + i + 1
            if number <= land.fields:
                yield DemoField(f"F{number:0{digits}d}", planned, placer, placer.field(planned))


def parcel_rows(land: Land, placed: list[DemoField]) -> list[Row]:
    rows = []
    for i, f in enumerate(placed):
        farm = demo_words.farm_name(i // FIELDS_A_FARM, land.seed) if land.fields > FARM_FROM else None
        note, first_pass = _told(land, f)
        rows.append(
            {
                "field_id": f.field_id,
                "name": demo_words.field_name(f.planned.key, f.placer.stretch.number, land.seed),
                "use": f.planned.use,
                "note": note,
                "first_pass": first_pass,
                "farm": farm,
                "geometry": f.shape,
            }
        )
    return rows


def _told(land: Land, f: DemoField) -> tuple[str, str]:
    """Note and first pass, with this field's own gates, fall and flattest place filled in."""
    found = demo_sense.samples(land, f.shape)
    gates = [demo_sense.on_edge(f.placer.gate(g, f.shape), f.shape, -g.side) for g in _of(f, demo_plan.GATES)]
    filled = {
        "gate": gates[0],
        "gate2": gates[-1],
        "down": demo_sense.falls_to(found),
        "flat": demo_sense.flattest(found, f.shape),
    }
    key = f.planned.key
    if f"{key}_inside" in demo_words.NOTES and f.shape.bounds[2] < land.grid.bounds.east:
        key = f"{key}_inside"
    return demo_words.NOTES[key].format_map(filled), demo_words.FIRST_PASS[key].format_map(filled)


def hazard_rows(land: Land, placed: list[DemoField]) -> list[Row]:
    return [
        {
            "hazard_id": str(uuid.uuid5(uuid.NAMESPACE_OID, f"demo {land.seed} {f.field_id} {n}")),
            "kind": h.kind,
            "severity": h.severity,
            "reach_m": h.reach_m,
            "accuracy_m": h.accuracy_m,
            "depth_m": h.depth_m,
            "note": h.note,
            "photo": demo_picture.sketch(h.severity / 3) if h.pictured else None,
            "seen_at": _when(h.seen_h),
            "seen_by": LEAD if h.seen_h is not None and h.seen_h < 0 else HAND,
            "retired_at": _when(h.retired_h),
            "retired_by": LEAD if h.retired_h is not None else None,
            "geometry": f.placer.hazard(h),
        }
        for f in placed
        for n, h in enumerate(_of(f, demo_plan.HAZARDS))
    ]


def gate_rows(placed: list[DemoField]) -> list[Row]:
    return [
        {
            "way_in_id": f"{f.field_id}-{'ABC'[n]}",
            "name": demo_words.GATE_NAMES[g.road],
            "width_m": g.width_m,
            "max_load_t": g.max_load_t,
            "ambulance": g.ambulance,
            "note": demo_words.AMBULANCE_NOTE if g.ambulance else None,
            "geometry": f.placer.gate(g, f.shape),
        }
        for f in placed
        for n, g in enumerate(_of(f, demo_plan.GATES))
    ]


def storm_rows() -> list[Row]:
    return [{"storm_id": "storm-2026-06-10", "passed_at": STORM, "note": "hail, then 60 mm in two hours"}]


def release_rows(placed: list[DemoField]) -> list[Row]:
    rows = [
        {
            "field_id": f.field_id,
            "ground": r.ground,
            "released_by": LEAD,
            "released_at": _when(r.from_h),
            "until": _when(r.until_h),
        }
        for f in placed
        for r in _of(f, demo_plan.RELEASES)
    ]
    return sorted(rows, key=lambda row: (row["released_at"], row["field_id"]))


def _of(f: DemoField, planned: tuple[Any, ...]) -> list[Any]:
    return [p for p in planned if p.field == f.planned.key]


def _when(hours: float | None) -> datetime | None:
    return None if hours is None else STORM + timedelta(hours=hours)
