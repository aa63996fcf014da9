"""What is new since the map before, field by field: markings, ground opened or closed, releases.

Two remembered figures of a field (as in data/atlas.json) are compared; what is kept is short enough to read out.
"""

from __future__ import annotations

import json
from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import asdict
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Literal, get_args

from atlas.editions.disk import UNREADABLE, read_inside
from atlas.editions.publishing import is_atlas
from atlas.editions.state import (
    PAGE,
    Edition,
    FieldState,
    previous_field,
    previous_ids,
    previous_slugs,
    previous_storms,
    stamp,
)
from atlas.farm.records import HAZARD_KINDS, Storm
from atlas.pages.change_records import FieldChange, GroundChange, MapChanges, MarkChange, StormNews, What

CHANGES_FILE = "data/state/changes.json"
MAPS_KEPT = 12  # on the page of changes, newest first
LEAST_M2 = 1.0  # less opened or closed ground than this is not worth reading out
OPEN = ("any_way_m2", "up_down_m2")
SAME_PLACE_DEG = 2e-6  # a fifth of a metre: what a place moves by other roundings


class Changes:
    """What this map changes of some fields, gathered field by field.

    The first map of all has nothing to tell, and what cannot be read of the atlas before costs only that memory.
    """

    def __init__(self, before: Before, edition: Edition, storms: tuple[StormNews, ...] = ()) -> None:
        self._before, self._edition, self._storms = before, edition, storms
        self._first = not (before.slugs or before.forgotten)
        self._found: list[FieldChange] = []
        self._taken = 0

    def take(self, state: FieldState) -> None:
        """Every one of these fields, one after the other."""
        self._taken += 1
        if not self._first and state.number == self._edition.number:
            self._found.append(self._before.change(state.figures))

    def new(self, removed: Iterable[Mapping[str, Any]]) -> MapChanges:
        """This map's changes; `removed` are the figures of fields that are no longer among these."""
        found = (*self._found, *map(field_removed, removed))
        return MapChanges(self._edition.number, stamp(self._edition.issued_at), self._taken, found, self._storms)


class Before:
    """The fields of the atlas before. A field is known again by its id, whatever it is called now.

    `forgotten`: there was one, of which nothing is known.
    """

    def __init__(self, previous: Path | None, forgotten: bool = False) -> None:
        self._previous, self.forgotten = previous, forgotten
        self.slugs = previous_slugs(previous)

    def change(self, figures: Mapping[str, Any]) -> FieldChange:
        """What this map says of a field that the map before did not."""
        if self.forgotten:
            return _only(figures, unknown=True)
        old = self._figures(Path(figures["page"]).stem) or {}
        if old.get("field_id") != figures["field_id"]:  # new, or renamed: its file is another one
            slug = self._slug_of.get(figures["field_id"])
            old = (self._figures(slug) if slug else None) or {}
            if not old:
                unread = slug is not None or len(self._slug_of) < len(self.slugs)  # it may be there
                return _only(figures, unknown=True) if unread else field_change(None, figures)
        try:
            return field_change(old, figures)
        except (KeyError, TypeError, ValueError, AttributeError):  # written by another version
            return _only(figures, unknown=True)

    def without(self, ids: Container[str]) -> Iterator[Mapping[str, Any]]:
        """The figures of fields that are no longer there: all but these `ids`."""
        gone = [slug for field_id, slug in self._slug_of.items() if field_id not in ids] if self.slugs else []
        return (figures for slug in gone if (figures := self._figures(slug)))

    @cached_property
    def _slug_of(self) -> dict[str, str]:
        """Slug by field id, as far as the atlas before tells; figures are read when they are asked for."""
        ids = previous_ids(self._previous)
        if len(ids) == len(self.slugs):
            return dict(zip(ids, self.slugs, strict=True))
        read = ((slug, self._figures(slug)) for slug in self.slugs)
        return {figures["field_id"]: slug for slug, figures in read if figures}

    def _figures(self, slug: str) -> Mapping[str, Any] | None:
        state = previous_field(self._previous, slug)
        whole = state is not None and all(key in state.figures for key in ("field_id", "name", "page"))
        return state.figures if state is not None and whole else None


def storm_news(previous: Path | None, storms: Iterable[Storm]) -> tuple[StormNews, ...]:
    """The storms that the map before did not know of, latest first; none where it does not say which it knew."""
    known = previous_storms(previous)
    new = [s for s in storms if known is not None and s.storm_id not in known]
    new.sort(key=lambda s: s.passed_at, reverse=True)
    return tuple(StormNews(stamp(s.passed_at), s.note) for s in new)


def before_of(previous: Path | None, edition: Edition) -> Before:
    """The atlas before this edition."""
    return Before(previous, forgotten=edition.number > 1 and not previous_slugs(previous))


def field_change(before: Mapping[str, Any] | None, now: Mapping[str, Any]) -> FieldChange:
    """Compare a field's figures with those of the map before (None: the field is new)."""
    if before is None:
        return _only(now, added=True)
    marks = _marks(before["hazards"], now["hazards"])
    ground = _ground(before, now)
    release = _release(before.get("released"), now.get("released"))
    redrawn = _redrawn(before, now)
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
        not (marks or ground or release or redrawn),
        redrawn,
    )


def field_removed(before: Mapping[str, Any]) -> FieldChange:
    """A field that the farm file no longer has."""
    return _only(before, removed=True)


def _only(
    figures: Mapping[str, Any], *, added: bool = False, removed: bool = False, unknown: bool = False
) -> FieldChange:
    return FieldChange(
        figures["field_id"], figures["name"], figures["page"], added, removed, (), (), "", "", "", unknown
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
    """What became of a marking. Of another kind it is neither worse nor milder, since only wet spots are graded;
    and what nobody has looked at since a storm counts as one worse than it is marked, so it is no milder."""
    if new["kind"] != old["kind"]:
        return "moved"
    if (new["severity"] or 0) != (old["severity"] or 0):
        if (new["severity"] or 0) > (old["severity"] or 0):
            return "worse"
        return "doubt" if new["unconfirmed"] else "milder"
    if new["unconfirmed"] != old["unconfirmed"]:
        return "doubt" if new["unconfirmed"] else "seen"
    drawn = ("reach_m", "accuracy_m", "depth_m", "lon", "lat")
    return "moved" if any(old[k] != new[k] for k in drawn) else None


def _redrawn(before: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    """Whether the boundary is another one: told by the area and by a place inside."""
    if abs(now["area_m2"] - before["area_m2"]) >= LEAST_M2:
        return True
    return any(abs(now[k] - before[k]) > SAME_PLACE_DEG for k in ("lon", "lat"))


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
        closed = sum(was[z] for z in OPEN) - sum(d[z] for z in OPEN)  # what a boundary leaves out is not opened
        only_up_down = d["up_down_m2"] - was["up_down_m2"]
        if max(abs(closed), only_up_down) >= LEAST_M2:
            grounds = (old_set["ground"], d["ground"])
            found.append(
                GroundChange(d["machine"], d["driver"], *grounds, round(closed, 1), round(only_up_down, 1))
            )
    return tuple(found)


def _release(
    before: Mapping[str, Any] | None, now: Mapping[str, Any] | None
) -> Literal["", "released", "changed", "ended"]:
    if before == now:
        return ""
    if now is None:
        return "ended"
    return "changed" if before else "released"


def earlier_changes(out: Path | None, file: str = CHANGES_FILE) -> list[MapChanges]:
    """What the atlas before remembers of its own changes, newest first; nothing if it cannot be read."""
    if out is None or not is_atlas(out):
        return []
    try:
        raw = json.loads(read_inside(out, file))
        return [_map_changes(m) for m in raw]
    except UNREADABLE:
        return []


def _map_changes(raw: dict[str, Any]) -> MapChanges:
    fields = []
    for f in raw["fields"]:
        marks = tuple(MarkChange(**m) for m in f["marks"])
        ground = tuple(GroundChange(**g) for g in f["ground"])
        if any(m.what not in get_args(What) or m.kind not in HAZARD_KINDS for m in marks):
            raise ValueError("of another version")
        if not PAGE.fullmatch(f["page"]):
            raise ValueError("leads somewhere else")
        fields.append(FieldChange(**{**f, "marks": marks, "ground": ground}))
    storms = tuple(StormNews(str(s["passed_at"]), str(s["note"])) for s in raw.get("storms", ()))
    for moment in (raw["issued_at"], *(s.passed_at for s in storms)):
        datetime.fromisoformat(moment)
    return MapChanges(int(raw["number"]), str(raw["issued_at"]), int(raw["in_all"]), tuple(fields), storms)


def remembered(changes: list[MapChanges]) -> bytes:
    """The newest maps' changes, for the next build."""
    return json.dumps([asdict(m) for m in changes[:MAPS_KEPT]], sort_keys=True).encode()
