"""The page of changes: what is new since the map before, newest first, short enough to read out in the yard.

Everything is put in order here and in words by the template, so that it is translated with all other words.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Sequence
from dataclasses import dataclass
from datetime import datetime

from atlas.pages.change_records import FieldChange, GroundChange, MapChanges, MarkChange
from atlas.pages.context import PageContext
from atlas.pages.render import pages, when
from atlas.pages.sheet_lists import machine_label
from atlas.words import N_

MARKS = {
    "new": N_("New"),
    "worse": N_("Worse"),
    "doubt": N_("Look again before anyone drives"),
    "seen": N_("Still there"),
    "milder": N_("Milder"),
    "moved": N_("Marked differently"),
    "gone": N_("Gone"),
}
NAMED = 12  # so many names are read out; beyond that a number is


@dataclass(frozen=True)
class Amount:
    """So many square metres for these machines, by name."""

    m2: float
    machines: tuple[str, ...]


@dataclass(frozen=True)
class ToldMarks:
    """Markings of one field of which the same is to be said."""

    label: str
    marks: tuple[MarkChange, ...]


@dataclass(frozen=True)
class Told:
    """One field as it is read out."""

    change: FieldChange
    kept: bool  # it still has a page to open
    until: str
    marks: tuple[ToldMarks, ...]
    closed: tuple[Amount, ...]
    opened: tuple[Amount, ...]
    up_down: tuple[Amount, ...]
    grounds: tuple[str, str]  # before and now; the same where only the markings changed


@dataclass(frozen=True)
class ToldStorm:
    """A storm as it is read out."""

    passed: str
    note: str


@dataclass(frozen=True)
class ToldMap:
    """One map's changes.

    `collect` are the names of fields whose old paper must come back. Of those in `other` there is nothing to tell
    but that they were drawn anew.
    """

    number: int
    issued: str
    storms: tuple[ToldStorm, ...]
    first: bool
    collect: tuple[str, ...]
    collect_all: bool
    fields: tuple[Told, ...]
    other: tuple[Told, ...]


def changes_page(
    changes: Sequence[MapChanges],
    ctx: PageContext,
    missing: Sequence[str] = (),
    there: Container[str] | None = None,
) -> dict[str, bytes]:
    """`changes.html` (or the group's); `changes` newest first, the current map's among them.

    `missing` are the names of fields that are not on the current map: one that never was on any is in no change.
    `there` are the pages of all fields that are on it (None: those whose newest word here leaves them), since what
    became of a field may be told on another farm's page.
    """
    here: dict[str, bool] = {}  # page → whether the newest word on it leaves it in the atlas
    for m in changes:
        for f in m.fields:
            here.setdefault(f.page, not f.removed and (there is None or f.page in there))

    def told() -> dict[str, object]:
        machines = {key: machine_label(m) for key, m in ctx.rig.machines.items()}
        maps = [_map(m, here, machines, m is changes[-1]) for m in changes]
        return {"maps": maps, "named": NAMED, "missing": list(missing)}

    return pages(ctx.home.changes, "changes.html", ctx, told)


def _map(m: MapChanges, here: dict[str, bool], machines: dict[str, str], oldest: bool) -> ToldMap:
    told = [_field(f, here[f.page], machines) for f in m.fields]
    collect = tuple(f.name for f in m.fields if f.collect)
    still = [f for f in m.fields if f.collect and not f.removed]
    return ToldMap(
        m.number,
        when(datetime.fromisoformat(m.issued_at)),
        told_storms(m),
        oldest and m.number == 1,
        collect,
        len(still) == m.in_all,
        tuple(t for t in told if not t.change.other),
        tuple(t for t in told if t.change.other),
    )


def told_storms(m: MapChanges) -> tuple[ToldStorm, ...]:
    """The storms that a map is the first to know of, in this language."""
    return tuple(ToldStorm(when(datetime.fromisoformat(s.passed_at)), s.note) for s in m.storms)


def _field(f: FieldChange, here: bool, machines: dict[str, str]) -> Told:
    marks = [(label, tuple(m for m in f.marks if m.what == what)) for what, label in MARKS.items()]
    names = {g.machine: machines.get(g.machine, g.machine) for g in f.ground}
    first = f.ground[0] if f.ground else None
    return Told(
        f,
        here,
        when(datetime.fromisoformat(f.release_until)) if f.release_until else "",
        tuple(ToldMarks(label, of) for label, of in marks if of),
        _amounts(f.ground, names, lambda g: g.closed_m2),
        _amounts(f.ground, names, lambda g: -g.closed_m2),
        _amounts(f.ground, names, lambda g: g.up_down_m2),
        (first.ground_before, first.ground) if first else ("", ""),
    )


def _amounts(
    ground: Sequence[GroundChange], names: dict[str, str], of: Callable[[GroundChange], float]
) -> tuple[Amount, ...]:
    """What is at least a square metre, most first; machines of which the same is to be said together."""
    found: dict[float, list[str]] = {}
    for g in ground:
        if (m2 := round(of(g))) >= 1:
            found.setdefault(m2, []).append(names[g.machine])
    return tuple(Amount(m2, tuple(found[m2])) for m2 in sorted(found, reverse=True))
