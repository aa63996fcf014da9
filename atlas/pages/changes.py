"""The page of changes: what is new since the map before, newest first, short enough to read out in the yard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from atlas.pages.change_records import FieldChange, MapChanges
from atlas.pages.context import PageContext
from atlas.pages.render import area, page, when
from atlas.words import HAZARDS, N_, SEVERITIES

MARKS = {
    "new": N_("new"),
    "gone": N_("gone"),
    "seen": N_("looked at, still there"),
    "worse": N_("worse"),
    "milder": N_("milder"),
    "moved": N_("drawn anew"),
}


@dataclass(frozen=True)
class Told:
    """One field as it is read out."""

    name: str
    page: str
    kept: bool  # it still has a page to open
    lines: tuple[str, ...]


@dataclass(frozen=True)
class ToldMap:
    number: int
    issued: str
    collect: tuple[str, ...]  # names of fields whose old paper must come back
    fields: tuple[Told, ...]


def changes_page(changes: Sequence[MapChanges], ctx: PageContext) -> dict[str, bytes]:
    """`changes.html`; `changes` newest first, the current map's among them."""
    machines = {key: m.name for key, m in ctx.rig.machines.items()}
    maps = [_told(c, machines) for c in changes]
    return {"changes.html": page("changes.html", ctx, ".", {"maps": maps})}


def _told(changes: MapChanges, machines: dict[str, str]) -> ToldMap:
    fields = tuple(_field(f, machines) for f in changes.fields)
    collect = tuple(f.name for f in changes.fields if f.collect)
    issued = when(datetime.fromisoformat(changes.issued_at))
    return ToldMap(changes.number, issued, collect, fields)


def _field(f: FieldChange, machines: dict[str, str]) -> Told:
    lines: list[str] = []
    if f.added:
        lines.append("This field is new in the atlas.")
    if f.removed:
        lines.append("This field is no longer in the atlas. Do not drive by its old sheet.")
    lines += [_release(f)] if f.release else []
    for m in f.marks:
        grade = f" ({SEVERITIES[m.severity]})" if m.severity else ""
        tag = f", tag {m.tag}" if m.tag is not None else ""
        place = f", {m.place}" if m.place else ""
        lines.append(f"{HAZARDS[m.kind].capitalize()}{grade}{place}{tag}: {MARKS[m.what]}.")
    for g in f.ground:
        verb = "closed to" if g.closed_m2 > 0 else "opened to"
        lines.append(f"{area(abs(g.closed_m2))} {verb} {machines.get(g.machine, g.machine)}.")
    if f.other:
        lines.append("The sheet was drawn anew: its boundary, terrain, neighbours or settings changed.")
    return Told(f.name, f.page, not f.removed, tuple(lines))


def _release(f: FieldChange) -> str:
    if f.release == "ended":
        return "No longer released: its ground counts as wet."
    until = when(datetime.fromisoformat(f.release_until)) if f.release_until else ""
    return f"Released on {f.release_ground} ground until {until}."
