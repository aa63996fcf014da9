"""Everything in an atlas that is not one field's: overview, machine cards, changes, data, assets, and what the
next build needs to know."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from atlas.driving.walk import plan
from atlas.driving.walk_records import FieldStops
from atlas.editions.by_farm import write_by_farm
from atlas.editions.changes import CHANGES_FILE, Changes, before_of, earlier_changes, remembered, storm_news
from atlas.editions.exchange import hazards_geojson, hazards_gpx, walks_gpx
from atlas.editions.kept import KeptPages, machines_number, relief_of, states_of, unless_same
from atlas.editions.polygon_file import PolygonFile
from atlas.editions.publishing import FORMAT, Staging
from atlas.editions.state import STATE_FILE, field_page
from atlas.editions.to_write import ToWrite
from atlas.editions.wholeness import remember_files
from atlas.editions.whose import places_of
from atlas.languages import speaking
from atlas.pages.assets import asset_files, edition_script
from atlas.pages.change_records import MapChanges
from atlas.pages.changes import changes_page
from atlas.pages.context import PageContext
from atlas.pages.day import day_page
from atlas.pages.figures import farm_head
from atlas.pages.machine_cards import machines_page
from atlas.pages.overview import overview_page
from atlas.pages.overview_entry import OverviewEntry
from atlas.pages.walk import walk_pages
from atlas.paper.sheets import FieldSheet


def write_shared(to_write: ToWrite) -> None:
    """Write all shared files into the staging folder.

    Fields of several farms, or too many for one page, are shared out over a page for each group
    (`atlas.farm.groups`). Raises OutputError where a state just written cannot be read back.
    """
    stage, farm, edition, context = to_write.stage, to_write.farm, to_write.edition, to_write.context
    for name, content in asset_files().items():
        stage.write(name, content)
    stage.write("assets/edition.js", edition_script(edition.number, edition.issued_at))
    for name, content in machines_page(unless_same(stage, context)).items():
        stage.write(name, content)
    if farm.groups:
        write_by_farm(to_write)
    else:
        _write_together(to_write)
    _stream(stage, "data/hazards.geojson", hazards_geojson(farm))
    with speaking(context.speakers[0]):
        _stream(stage, "data/hazards.gpx", hazards_gpx(farm))
    facts = {
        "format": FORMAT,
        "edition": edition.as_json(),
        "machines": machines_number(stage, context),
        "fields": [p.slug for p in to_write.parcels],
        "ids": [p.field_id for p in to_write.parcels],
        "places": places_of(to_write.parcels, farm.terrain.grid.crs),
        "storms": [s.storm_id for s in farm.storms],
    }
    stage.write(STATE_FILE, json.dumps(facts).encode())
    remember_files(stage)


def _stream(stage: Staging, relative: str, pieces: Iterable[bytes]) -> None:
    with stage.path(relative).open("wb") as f:
        f.writelines(pieces)


def load_paper() -> None:
    """Load what binding paper takes, so that it is there when there is something to bind."""
    import atlas.paper.atlas_pdf  # noqa: F401


def _write_together(to_write: ToWrite) -> None:
    """All fields on one page and in one PDF."""
    stage, farm, context = to_write.stage, to_write.farm, to_write.context
    entries, stops, numbers, changes, polygons = _each_field(to_write)
    relief = relief_of(stage, farm, context.settings)
    missing = [m.name for m in to_write.missing]
    pages = overview_page(entries, context, relief, missing)
    pages |= day_page(entries, context, relief.ways_in)
    for name, content in pages.items():
        stage.write(name, content)
    sheets = [FieldSheet(p.slug, p.name, n) for p, n in zip(to_write.parcels, numbers, strict=True)]
    bound = None
    if context.settings.print.pdf:
        bound = to_write.other.do(_write_paper, stage.folder, stage.previous, sheets, context)
    polygons.done()
    stage.write(CHANGES_FILE, remembered(changes))
    there = {field_page(p.slug) for p in to_write.parcels}
    for name, content in changes_page(changes, context, missing, there).items():
        stage.write(name, content)
    walks = plan(stops)
    kept = KeptPages(stage, "data/state/walks.json", context)
    for name, content in walk_pages(walks, entries, context, farm.terrain.grid.crs.to_wkt(), kept.keep).items():
        stage.write(name, content)
    kept.remember()
    with speaking(context.speakers[0]):
        stage.write("data/walk.gpx", walks_gpx(walks))
    if bound is not None:
        bound()


def _write_paper(folder: Path, previous: Path | None, sheets: list[FieldSheet], context: PageContext) -> None:
    """Bind the fields' own PDFs, which are there already."""
    from atlas.paper.atlas_pdf import atlas_pdfs  # loaded by whoever binds

    stage = Staging(folder, previous)
    for name, content in atlas_pdfs(sheets, stage.read, context):
        stage.write(name, content)


def _each_field(
    to_write: ToWrite,
) -> tuple[list[OverviewEntry], list[FieldStops], list[int], list[MapChanges], PolygonFile]:
    """Read every field's state once: write data/atlas.json, and keep what other pages list and what is still to be
    written to data/atlas.gpkg."""
    stage, farm, edition, parcels = to_write.stage, to_write.farm, to_write.edition, to_write.parcels
    before, storms = before_of(stage.previous, edition), storm_news(stage.previous, farm.storms)
    entries, stops, numbers, changes = [], [], [], Changes(before, edition, storms)
    polygons = PolygonFile(stage.path("data/atlas.gpkg"), farm.terrain.grid.crs)
    head = json.dumps({"format": FORMAT, "edition": edition.as_json(), **farm_head(farm, to_write.settings)})
    with stage.path("data/atlas.json").open("w", encoding="utf-8") as f:
        f.write(head[:-1] + ', "fields": [')
        for i, state in enumerate(states_of(stage, parcels)):
            f.write((",\n" if i else "\n") + json.dumps(state.figures))
            entries.append(OverviewEntry.from_json(state.entry))
            stops.append(FieldStops.from_json(state.walk))
            numbers.append(state.number)
            changes.take(state)
            polygons.take(state.polygons)
        f.write("\n]}\n")
    new = changes.new(before.without({p.field_id for p in parcels}))
    return entries, stops, numbers, [new, *earlier_changes(stage.previous)], polygons
