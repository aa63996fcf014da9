"""The day sheet: today's fields, machines, grounds and people on one sheet, put together on the device.

The page lists every field; what is said of a field and a choice comes from the field's own script, which the page
loads when the field is chosen, so a day sheet costs a farm of thousands no more than its chosen fields.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from atlas.pages.context import PageContext
from atlas.pages.data import data_files
from atlas.pages.overview import findable
from atlas.pages.overview_entry import EntryWayIn, OverviewEntry
from atlas.pages.render import pages, place
from atlas.pages.sheet_phrases import translated
from atlas.words import N_

DAY_PHRASES = {
    "released": N_("Released by {by} for ground {ground} until {until}. After that it counts as {need}."),
    "not_released": N_("Not released: counts as {need}."),
    "ran_out": N_("The release ran out ({until}): not released, counts as {need}."),
    "clock_behind": N_("This device's clock says a time before this map was made: no release counts."),
    "in_by": N_("In by: {way}"),
    "no_way": N_("No way in is on file for this field."),
    "keep_off": N_("Keep off"),
    "away": N_("{kind} {place}: keep the whole machine {far} away"),
    "soft": N_("{kind} {place}: within {far} the ground counts as wet and the wheels sink"),
    "unconfirmed": N_("unconfirmed: walk it first"),
    "nothing": N_("Nobody has marked anything in this field. That does not say there is nothing."),
    "hand": N_("Hand work"),
    "no_zones": N_("No driving zones for this field: see its sheet."),
    "who": N_("Who"),
    "nobody": N_("____________________"),
    "no_load": N_("The field's data cannot be read; open its own sheet instead."),
    "made": N_("Made on this device {now}."),
    "title": N_("Today's sheet"),
    "signed": N_("Read and asked about: ____________________"),
}


@dataclass(frozen=True)
class DayRow:
    """One field to choose. `order` sorts by the way in that stands first on file, then by the field's number."""

    number: int
    entry: OverviewEntry
    find: str
    order: int
    way: str
    scripts: tuple[str, ...]  # in the order in which they are loaded


def day_page(
    entries: Sequence[OverviewEntry], ctx: PageContext, ways_in: Sequence[EntryWayIn]
) -> dict[str, bytes]:
    """day.html (or the group's) in every language; numbers are the overview's."""
    return pages(ctx.home.day, "day.html", ctx, lambda: _values(entries, ctx, ways_in))


def _values(
    entries: Sequence[OverviewEntry], ctx: PageContext, ways_in: Sequence[EntryWayIn]
) -> dict[str, object]:
    order = {w.way_in_id: i for i, w in enumerate(ways_in)}
    rows = [_row(number, entry, order, ctx) for number, entry in enumerate(entries, start=1)]
    return {"rows": rows, "phrases": translated(DAY_PHRASES)}


def _row(number: int, entry: OverviewEntry, order: dict[str, int], ctx: PageContext) -> DayRow:
    ways = sorted((w for w in entry.ways_in if w.way_in_id in order), key=lambda w: order[w.way_in_id])
    first = ways[0] if ways else None
    return DayRow(
        number,
        entry,
        findable(f"{number} {entry.name} {entry.field_id} {entry.use}"),
        order[first.way_in_id] if first else len(order),
        f"{first.name or first.way_in_id}, {place(first.place)}" if first else "",
        data_files(entry.slug, ctx.languages),
    )
