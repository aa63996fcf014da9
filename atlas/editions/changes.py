"""What is new since the map before, field by field: markings, ground opened or closed, releases.

Two remembered figures of a field (as in data/atlas.json) are compared; what is kept is short enough to read out.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Literal

from atlas.editions.publishing import is_atlas
from atlas.pages.change_records import FieldChange, GroundChange, MapChanges, MarkChange, What

CHANGES_FILE = "data/state/changes.json"
MAPS_KEPT = 12  # on the page of changes, newest first
LEAST_M2 = 1.0  # less opened or closed ground than this is not worth reading out
CLOSED = ("on_foot_m2", "keep_out_m2", "unsurveyed_m2")


def field_change(before: Mapping[str, Any] | None, now: Mapping[str, Any]) -> FieldChange:
    """Compare a field's figures with those of the map before (None: the field is new)."""
    if before is None:
        return _only(now, added=True)
    marks = _marks(before["hazards"], now["hazards"])
    ground = _ground(before, now)
    release = _release(before.get("released"), now.get("released"))
    released = now.get("released") or {}
    return FieldChange(
        now["field_id"],
        now["name"],
        now["page"],
        False,
        False,
        marks,
        ground,
        release,
        released.get("ground", ""),
        released.get("until", ""),
        not (marks or ground or release),
    )


def field_removed(before: Mapping[str, Any]) -> FieldChange:
    """A field that the farm file no longer has."""
    return _only(before, removed=True)


def _only(figures: Mapping[str, Any], *, added: bool = False, removed: bool = False) -> FieldChange:
    return FieldChange(
        figures["field_id"], figures["name"], figures["page"], added, removed, (), (), "", "", "", False
    )


def _marks(before: list[dict[str, Any]], now: list[dict[str, Any]]) -> tuple[MarkChange, ...]:
    old, new = ({h["hazard_id"]: h for h in hazards} for hazards in (before, now))
    found = [_mark("new", h) for key, h in new.items() if key not in old]
    found += [_mark("gone", h) for key, h in old.items() if key not in new]
    for key, h in new.items():
        if key in old and (what := _difference(old[key], h)):
            found.append(_mark(what, h))
    return tuple(found)


def _mark(what: What, h: Mapping[str, Any]) -> MarkChange:
    tag = None if what == "gone" else h["tag"]
    return MarkChange(what, h["kind"], h["severity"], h["place"], tag, h["note"])


def _difference(old: Mapping[str, Any], new: Mapping[str, Any]) -> What | None:
    if (new["severity"] or 0) != (old["severity"] or 0):
        return "worse" if (new["severity"] or 0) > (old["severity"] or 0) else "milder"
    if old["unconfirmed"] and not new["unconfirmed"]:
        return "seen"
    drawn = ("kind", "reach_m", "accuracy_m", "depth_m", "lon", "lat")
    return "moved" if any(old[k] != new[k] for k in drawn) else None


def _ground(before: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[GroundChange, ...]:
    """Per machine, for the driver and the ground that each map's paper showed."""
    old_set, new_set = before.get("shown"), now.get("shown")
    if not old_set or not new_set:
        return ()
    old = {(d["machine"], d["ground"], d["driver"]): d for d in before["driving"]}
    found = []
    for d in now["driving"]:
        if (d["ground"], d["driver"]) != (new_set["ground"], new_set["driver"]):
            continue
        was = old.get((d["machine"], old_set["ground"], new_set["driver"]))
        if was is None:
            continue
        closed = sum(d[z] for z in CLOSED) - sum(was[z] for z in CLOSED)
        if abs(closed) >= LEAST_M2:
            found.append(GroundChange(d["machine"], d["driver"], old_set["ground"], d["ground"], round(closed, 1)))
    return tuple(found)


def _release(
    before: Mapping[str, Any] | None, now: Mapping[str, Any] | None
) -> Literal["", "released", "changed", "ended"]:
    if before == now:
        return ""
    if now is None:
        return "ended"
    return "changed" if before else "released"


def earlier_changes(out: Path | None) -> list[MapChanges]:
    """What the atlas before remembers of its own changes, newest first; nothing if it cannot be read."""
    if out is None or not is_atlas(out):
        return []
    try:
        raw = json.loads((out / CHANGES_FILE).read_bytes())
        return [_map_changes(m) for m in raw]
    except (OSError, ValueError, KeyError, TypeError):
        return []


def _map_changes(raw: dict[str, Any]) -> MapChanges:
    fields = []
    for f in raw["fields"]:
        marks = tuple(MarkChange(**m) for m in f["marks"])
        ground = tuple(GroundChange(**g) for g in f["ground"])
        fields.append(FieldChange(**{**f, "marks": marks, "ground": ground}))
    return MapChanges(int(raw["number"]), str(raw["issued_at"]), tuple(fields))


def remembered(changes: list[MapChanges]) -> bytes:
    """The newest maps' changes, for the next build."""
    return json.dumps([asdict(m) for m in changes[:MAPS_KEPT]], sort_keys=True).encode()
