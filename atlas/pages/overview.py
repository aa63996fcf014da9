"""The overview: every field on one map and in one list, what is released, what to walk first, whom to ring."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from shapely.geometry import box

from atlas.farm.slugs import SPELT_OUT
from atlas.pages.context import PageContext
from atlas.pages.moving_map import map_script
from atlas.pages.overview_entry import Drawn, EntryHazard, EntryShares, EntryWayIn, OverviewEntry, summarise
from atlas.pages.overview_hatch import cross_hatch, slanted
from atlas.pages.overview_map import FieldDrawing, ZoneDrawing, draw, farm_box
from atlas.pages.overview_paper import STRIP_MM, frame_for, sheet_for
from atlas.pages.overview_relief import FarmRelief, farm_relief
from atlas.pages.picture_frame import Frame, north_arrow
from atlas.pages.render import by_the_clock, clock, day_of_year, pages, stamp
from atlas.pages.sheet_lists import driver_label, ground_label, machine_label
from atlas.pages.sheet_set import drive_of, shown

if TYPE_CHECKING:
    from atlas.survey import FieldSurvey

__all__ = ["FarmRelief", "OverviewEntry", "entry_of", "farm_relief", "overview_page"]

# What a printed sheet has room for: rows of the list of fields, markings to walk first.
MOST_FIELDS = {"A4": 16, "A3": 32}
MOST_FIRST = {"A4": 4, "A3": 5}


def entry_of(survey: FieldSurvey, ctx: PageContext) -> OverviewEntry:
    """What the overview keeps of one field: its zones for the sets that paper shows."""
    without = replace(survey, release=None)
    return summarise(
        survey,
        drive_of(survey, shown(survey, ctx)) if survey.release else None,
        drive_of(without, shown(without, ctx)),
    )


def overview_page(
    entries: Sequence[OverviewEntry], ctx: PageContext, relief: FarmRelief, missing: Sequence[str] = ()
) -> dict[str, bytes]:
    """index.html (or the group's page) and the script of its movable map.

    A release that had ended by the time of issue is none.

    `missing` are the names of fields that could not be surveyed: they are said, lest they seem open ground.
    """
    now = ctx.issued_at if ctx.issued_at.tzinfo else ctx.issued_at.replace(tzinfo=UTC)
    ways_in = relief.ways_in
    sheet = sheet_for(ctx.settings.print.paper, ctx.settings.print.turned)
    frame = frame_for(farm_box(entries, ways_in), sheet)
    drawing = draw(entries, ways_in, frame, relief.bounds, relief.crs_wkt)
    rows = [_row(f, now) for f in drawing.fields]
    values = {
        "map": drawing,
        "sheet": sheet,
        "rows": rows,
        "released": [r for r in rows if r.released],
        "first": _first(rows),
        "missing": list(missing),
        "meeting": [Meeting(w, _into(w, rows)) for w in ways_in if w.ambulance],
        "many": len(rows) > MOST_FIELDS[sheet.paper],
        "most_first": MOST_FIRST[sheet.paper],
        "relief": relief,
        "strip_mm": STRIP_MM,
        "key_hatch": cross_hatch(box(0, 0, 12, 6)),
        "key_slant": slanted(box(0, 0, 12, 6)),
        "stamp": stamp,
        "until": until,
    }
    moving = map_script(Frame(frame.bounds, frame.scale), ctx.moving)
    return {
        **pages(ctx.home.overview, "overview.html", ctx, lambda: values | _words(ctx, drawing.north_deg)),
        ctx.home.map_script: f"window.fieldAtlas = window.fieldAtlas || {{}};\n{moving}".encode(),
    }


def _words(ctx: PageContext, north_deg: float) -> dict[str, object]:
    """What is another in each language."""
    return {"shown": _shown(ctx), "north": north_arrow(north_deg)}


def until(moment: datetime) -> str:
    """ "13 June, 19:30 UTC": the sheet's own date says the year."""
    return f"{day_of_year(by_the_clock(moment))}, {clock(moment)}"


@dataclass(frozen=True)
class Piece:
    """One zone's stretch of a share strip: hundredths of the field's area, from the strip's left end."""

    zone: str
    start: float
    length: float


@dataclass(frozen=True)
class ShareRow:
    """How much of a field is closed for one set: the strip, and the percentage rounded up."""

    strip: tuple[Piece, ...]
    closed_pct: int


@dataclass(frozen=True)
class Row:
    """One field in the list: its drawing, whether it is released now, and what the finder looks through."""

    field: FieldDrawing
    released: bool
    find: str

    @property
    def entry(self) -> OverviewEntry:
        return self.field.entry

    @property
    def states(self) -> tuple[State, ...]:
        """What a page shows of the field now, and what a script shows in its place once the release has ended."""
        without = State("over" if self.released else "now", self.field.unreleased, _share(self.entry.unreleased))
        if not self.released:
            return (without,)
        return (State("now", self.field.released, _share(self.entry.released)), without)


@dataclass(frozen=True)
class State:
    when: str  # "now" or "over"
    zones: ZoneDrawing | None
    share: ShareRow | None


def _row(field: FieldDrawing, now: datetime) -> Row:
    entry = field.entry
    released = entry.release is not None and entry.release.ends > now
    return Row(field, released, findable(f"{field.number} {entry.name} {entry.field_id} {entry.use}"))


@dataclass(frozen=True)
class Meeting:
    """Where the ambulance meets, and the fields that this way in leads into, as they stand in the list."""

    way_in: EntryWayIn
    fields: str


def _into(way_in: EntryWayIn, rows: Sequence[Row]) -> str:
    entered = (r.field for r in rows if way_in.way_in_id in {w.way_in_id for w in r.field.entry.ways_in})
    return ", ".join(f"{field.number} {field.entry.name}" for field in entered)


def _share(drawn: Drawn | None) -> ShareRow | None:
    if drawn is None:
        return None
    # Rounded up: a field with one closed cell is never said to be all open.
    return ShareRow(_strip(drawn.shares), math.ceil(drawn.shares.closed_share * 100 - 1e-6))


def folded(text: str) -> str:
    """Without case and accents, as the finder compares."""
    apart = unicodedata.normalize("NFKD", text.casefold())
    return "".join(c for c in apart if not unicodedata.combining(c))


def findable(text: str) -> str:
    """What a finder searches: folded, and with letters spelt out as one does without their keys ("ue" for "ü")."""
    spelt = unicodedata.normalize("NFC", text).lower().translate(SPELT_OUT)
    both = dict.fromkeys((folded(text), folded(spelt)))
    return " ".join(both)


def _strip(shares: EntryShares) -> tuple[Piece, ...]:
    if shares.area_m2 <= 0:
        return ()
    start, pieces = 0.0, []
    for zone in ("any_way", "up_down", "cut_off", "on_foot", "keep_out", "unsurveyed"):
        length = 100.0 * getattr(shares, f"{zone}_m2") / shares.area_m2
        if length >= 0.05:
            pieces.append(Piece(zone, round(start, 1), round(length, 1)))
        start += length
    return tuple(pieces)


@dataclass(frozen=True)
class ToWalk:
    """A marking to look at before anyone drives there."""

    row: Row
    hazard: EntryHazard


def _first(rows: Sequence[Row]) -> list[ToWalk]:
    """Unconfirmed markings, the worst first. One that concerns several fields is named once, as on a walk: with
    the field it lies in, or is nearest to."""
    found: dict[str, ToWalk] = {}
    for row in rows:
        for h in row.entry.unconfirmed:
            other = found.get(h.hazard_id)
            if other is None or h.off_m < other.hazard.off_m:
                found[h.hazard_id] = ToWalk(row, h)
    return sorted(found.values(), key=lambda w: (w.hazard.kind != "slip", -w.hazard.severity, w.row.field.number))


@dataclass(frozen=True)
class ShownSet:
    """The set that the map is drawn for, in words; `ground` is the farm's wish for paper, None without one."""

    machine: str
    ground: str | None
    driver: str


def _shown(ctx: PageContext) -> ShownSet:
    wanted = ctx.rig.shown
    ground = ground_label(wanted.ground) if wanted.ground else None
    return ShownSet(machine_label(ctx.rig.machines[wanted.machine]), ground, driver_label(wanted.driver))
