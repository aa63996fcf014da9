"""Everything that is not one field's, where each farm has pages of its own: written group by group, so that one
group's fields are held at a time and a group without a change is taken over from the atlas before."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TextIO

from atlas.driving.walk import plan
from atlas.driving.walk_records import FarmWalks, FieldStops
from atlas.editions.changes import (
    CHANGES_FILE,
    MAPS_KEPT,
    Changes,
    before_of,
    earlier_changes,
    remembered,
    storm_news,
)
from atlas.editions.exchange import walks_gpx
from atlas.editions.kept import KeptPages, relief_of, states_of
from atlas.editions.polygon_file import PolygonFile
from atlas.editions.publishing import FORMAT, Staging
from atlas.editions.state import field_page
from atlas.editions.to_write import ToWrite
from atlas.farm.groups import Group, farm_of
from atlas.farm.records import Parcel
from atlas.languages import speaking
from atlas.pages.change_records import MapChanges
from atlas.pages.changes import changes_page
from atlas.pages.changes_farms import FarmChanges, changes_farms_page
from atlas.pages.context import Home, PageContext
from atlas.pages.day import day_page
from atlas.pages.farms import FarmLine, FindFiles, farm_line, farms_page, missing_of
from atlas.pages.figures import farm_head
from atlas.pages.overview import overview_page
from atlas.pages.overview_entry import OverviewEntry
from atlas.pages.overview_relief import FarmRelief
from atlas.pages.walk import WalkLine, farm_walk_page, walk_line, walk_list_page
from atlas.paper.sheets import FieldSheet


def write_by_farm(to_write: ToWrite) -> None:
    """A page, a day sheet, walks, changes, a PDF and a data file for each group; an index of all."""
    whole = _Whole(to_write)
    stage, other, pdf = to_write.stage, to_write.other, to_write.settings.print.pdf
    bound: list[Callable[[], None]] = []
    with stage.path("data/atlas.json").open("w", encoding="utf-8") as index:
        index.write(whole.head[:-1] + ', "fields": [')
        for group in to_write.farm.groups:
            own = whole.write(group, index)
            if pdf and not own.kept:
                bound.append(other.do(_bind, stage.folder, own.sheets, own.context))
        index.write("\n]}\n")
    whole.polygons.done()
    whole.finish()
    if pdf:
        bound.append(other.do(_bind, stage.folder, None, to_write.context))
    for done in bound:
        done()


def _bind(folder: Path, sheets: Sequence[FieldSheet] | None, context: PageContext) -> None:
    """Bind one group's PDF, or without sheets the one that says where those are; all files it takes are there."""
    from atlas.paper.atlas_pdf import atlas_pdfs, farms_pdfs  # loaded by whoever binds

    stage = Staging(folder, None)
    made = farms_pdfs(stage.read, context) if sheets is None else atlas_pdfs(sheets, stage.read, context)
    for name, content in made:
        stage.write(name, content)


@dataclass(frozen=True)
class _Written:
    """One group as it was written: what its PDF takes, and whether all its files were taken over."""

    context: PageContext
    sheets: tuple[FieldSheet, ...]
    kept: bool


@dataclass
class _Fields:
    """What the pages of one group take of its fields."""

    entries: list[OverviewEntry]
    stops: list[FieldStops]
    sheets: list[FieldSheet]
    keys: list[tuple[str, str, int]]
    figures: list[str]


class _Whole:
    """What is gathered over all groups, and each group's files."""

    def __init__(self, to_write: ToWrite) -> None:
        self._stage, self._farm = stage, farm = to_write.stage, to_write.farm
        self._edition, self._context = to_write.edition, to_write.context
        self._written = {p.slug for p in to_write.parcels}
        self._there = {field_page(slug) for slug in self._written}
        self._missing = {m.field_id: m for m in to_write.missing}
        self.polygons = PolygonFile(stage.path("data/atlas.gpkg"), farm.terrain.grid.crs)
        self._head = {"format": FORMAT, "edition": self._edition.as_json(), **farm_head(farm, to_write.settings)}
        self.head = json.dumps(self._head)
        self._kept = KeptPages(stage, "data/state/groups.json", self._context)
        self._before = before_of(stage.previous, self._edition)
        self._storms = storm_news(stage.previous, farm.storms)
        self._gone = list(self._before.without({p.field_id for p in to_write.parcels}))
        self._finds = FindFiles(stage.write)
        self._lines: list[FarmLine] = []
        self._walks: list[WalkLine] = []
        self._changed: list[FarmChanges] = []
        self._begun = False

    def write(self, group: Group, index: TextIO) -> _Written:
        """One group's files, and its fields in the atlas's own index."""
        home = Home(group.slug, group.farm, group.part, group.parts)
        context = replace(self._context, home=home)
        part = farm_of(self._farm, group)
        parcels = [p for p in part.parcels if p.slug in self._written]
        absent = [self._missing[p.field_id].name for p in part.parcels if p.field_id in self._missing]
        changes = Changes(self._before, self._edition, self._storms)
        fields = self._read(parcels, home, changes, index)
        walks = _walks(fields)
        if not parcels:
            self._lines.append(farm_line(home, [], absent, context))
            return _Written(context, (), True)
        relief = relief_of(self._stage, part, context.settings, f"data/state/relief/{group.slug}.z")
        earlier = earlier_changes(self._stage.previous, _memory(group.slug))
        kept = self._take_over(context, fields, relief, absent, earlier)
        told = earlier if kept else self._changes(group, changes, {p.field_id for p in parcels}, earlier)
        if not kept:
            self._write_pages(context, fields, walks, relief, absent)
            for name, content in changes_page(told, context, absent, self._there).items():
                self._stage.write(name, content)
        self._changed.append(FarmChanges.of(home, told))
        self._lines.append(farm_line(home, fields.entries, absent, context))
        self._walks.append(walk_line(walks, home))
        return _Written(context, tuple(fields.sheets), kept)

    def _read(self, parcels: list[Parcel], home: Home, changes: Changes, index: TextIO) -> _Fields:
        """Read the states of one group's fields once, each into all that is made of it."""
        fields = _Fields([], [], [], [], [])
        for parcel, state in zip(parcels, states_of(self._stage, parcels), strict=True):
            fields.entries.append(OverviewEntry.from_json(state.entry))
            fields.stops.append(FieldStops.from_json(state.walk))
            fields.sheets.append(FieldSheet(parcel.slug, parcel.name, state.number))
            fields.keys.append((parcel.slug, state.key, state.number))
            fields.figures.append(json.dumps(state.figures))
            changes.take(state)
            self.polygons.take(state.polygons)
            light = {k: state.figures[k] for k in ("field_id", "name", "page", "farm", "area_m2")}
            index.write((",\n" if self._begun else "\n") + json.dumps({**light, "data": home.data}))
            self._begun = True
            self._finds.take(parcel, len(self._lines), len(fields.entries))
        return fields

    def _take_over(
        self,
        context: PageContext,
        fields: _Fields,
        relief: FarmRelief,
        absent: list[str],
        earlier: list[MapChanges],
    ) -> bool:
        """Whether every file of a group is taken over, since all they rest on is as it was."""
        home, now = context.home, self._context.issued_at
        in_force = [e.release is not None and e.release.ends > now for e in fields.entries]
        left = sorted({f.page for m in earlier for f in m.fields} - self._there)  # told of, and no longer linked
        ground = (relief.png, relief.bounds, relief.ways_in)
        rests_on = repr((fields.keys, in_force, ground, absent, left, _same(context)))
        pages = [home.overview, home.day, home.walk, home.changes]
        paper = [home.pdf] if context.settings.print.pdf else []
        single = [home.map_script, home.data, home.gpx, _memory(home.slug)]
        return self._kept.keep_all([*pages, *paper], single, rests_on)

    def _changes(
        self, group: Group, changes: Changes, ids: set[str], earlier: list[MapChanges]
    ) -> list[MapChanges]:
        """This group's changes, newest map first, and remembered; `earlier` are those of the maps before."""
        if not earlier:  # the atlas before had all fields on one page
            before = earlier_changes(self._stage.previous)
            cut = [replace(m, fields=tuple(f for f in m.fields if f.field_id in ids)) for m in before]
            earlier = [m for m in cut if m.fields]
        mine = [f for f in self._gone if group.parts == 1 and f.get("farm", "") == group.farm]
        self._gone = [f for f in self._gone if f not in mine]
        told = [changes.new(mine), *earlier]
        self._stage.write(_memory(group.slug), remembered(told))
        return told[:MAPS_KEPT]

    def _write_pages(
        self,
        context: PageContext,
        fields: _Fields,
        walks: FarmWalks,
        relief: FarmRelief,
        absent: list[str],
    ) -> None:
        home, stage = context.home, self._stage
        files = overview_page(fields.entries, context, relief, absent)
        files |= day_page(fields.entries, context, relief.ways_in)
        files |= farm_walk_page(home.walk, walks, fields.entries, context, self._farm.terrain.grid.crs.to_wkt())
        with speaking(context.speakers[0]):
            files[home.gpx] = walks_gpx([replace(walks, farm=home.name)])
        head = json.dumps({**self._head, "group": {"name": home.farm, "part": home.part, "parts": home.parts}})
        files[home.data] = (head[:-1] + ', "fields": [\n' + ",\n".join(fields.figures) + "\n]}\n").encode()
        for name, content in files.items():
            stage.write(name, content)

    def finish(self) -> None:
        """The index and what else stands above the groups."""
        stage, context = self._stage, self._context
        count = self._finds.done()
        files = farms_page(self._lines, context, count)
        files |= walk_list_page(self._walks, context)
        new = Changes(self._before, self._edition, self._storms).new(self._gone)
        gone = [m for m in (new, *earlier_changes(stage.previous)) if m.fields or m.storms]
        stage.write(
            CHANGES_FILE, remembered([replace(m, fields=tuple(f for f in m.fields if f.removed)) for m in gone])
        )
        files |= changes_farms_page(self._changed, gone, missing_of(self._lines), context)
        for name, content in files.items():
            stage.write(name, content)
        self._kept.remember()


def _memory(slug: str) -> str:
    return f"data/state/changes/{slug}.json"


def _same(context: PageContext) -> PageContext:
    return replace(context, number=0, issued_at=KeptPages.LONG_AGO)


def _walks(fields: _Fields) -> FarmWalks:
    found = plan(fields.stops)
    return found[0] if found else FarmWalks("", (), 0)
