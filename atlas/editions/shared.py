"""Everything in an atlas that is not one field's: overview, machine cards, changes, data, assets, and what the
next build needs to know."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime

from atlas.driving.walk import plan
from atlas.driving.walk_records import FieldStops
from atlas.editions.changes import CHANGES_FILE, all_changes, remembered
from atlas.editions.exchange import hazards_geojson, hazards_gpx, walks_gpx
from atlas.editions.polygons import write_polygons
from atlas.editions.publishing import FORMAT, Staging
from atlas.editions.state import (
    STATE_FILE,
    Edition,
    FieldState,
    state_path,
    unpack,
)
from atlas.errors import OutputError
from atlas.farm.farm import Farm
from atlas.farm.records import Parcel
from atlas.languages import speakers, speaking
from atlas.pages.assets import asset_files, edition_script
from atlas.pages.changes import changes_page
from atlas.pages.context import PageContext
from atlas.pages.figures import farm_head
from atlas.pages.machine_cards import machines_page
from atlas.pages.overview import farm_relief, overview_page
from atlas.pages.overview_entry import OverviewEntry
from atlas.pages.walk import walk_pages
from atlas.settings import Settings


def write_shared(
    stage: Staging,
    farm: Farm,
    settings: Settings,
    edition: Edition,
    context: PageContext,
    parcels: list[Parcel],
) -> None:
    """Write all shared files into the staging folder; the fields' own pages and states are there already.

    Raises OutputError where a state just written cannot be read back.
    """
    for name, content in asset_files().items():
        stage.write(name, content)
    stage.write("assets/edition.js", edition_script(edition.number, edition.issued_at))
    entries = [OverviewEntry.from_json(s.entry) for s in _states(stage, parcels)]
    for name, content in overview_page(entries, context, farm_relief(farm, context.settings)).items():
        stage.write(name, content)
    for name, content in machines_page(_unless_same(stage, context)).items():
        stage.write(name, content)
    changes = all_changes(stage.previous, edition, _states(stage, parcels))
    stage.write(CHANGES_FILE, remembered(changes))
    for name, content in changes_page(changes, context).items():
        stage.write(name, content)
    walks = plan([FieldStops.from_json(s.walk) for s in _states(stage, parcels)])
    for name, content in walk_pages(walks, entries, context, farm.terrain.grid.crs.to_wkt()).items():
        stage.write(name, content)
    stage.write("data/hazards.geojson", hazards_geojson(farm))
    with speaking(speakers(context.languages)[0]):
        stage.write("data/walk.gpx", walks_gpx(walks))
        stage.write("data/hazards.gpx", hazards_gpx(farm))
    rows = (row for s in _states(stage, parcels) for row in s.polygons)
    write_polygons(stage.path("data/atlas.gpkg"), rows, farm.terrain.grid.crs)
    _write_json(stage, farm, settings, edition, parcels)
    facts = {
        "format": FORMAT,
        "edition": edition.as_json(),
        "machines": _machines_number(stage, context),
        "fields": [p.slug for p in parcels],
    }
    stage.write(STATE_FILE, json.dumps(facts).encode())


def _unless_same(stage: Staging, context: PageContext) -> PageContext:
    """The context that gives the machine cards the number they last changed in."""
    number, issued = _machines_number(stage, context)
    return replace(context, number=number, issued_at=datetime.fromisoformat(issued))


def _machines_number(stage: Staging, context: PageContext) -> tuple[int, str]:
    """Map number and date in which the machine cards last changed: the old ones if they would read the same."""
    now = (context.number, context.issued_at.isoformat())
    if stage.previous is None:
        return now
    try:
        number, issued = json.loads((stage.previous / STATE_FILE).read_bytes())["machines"]
        as_before = replace(context, number=int(number), issued_at=datetime.fromisoformat(issued))
        same = all((stage.previous / n).read_bytes() == c for n, c in machines_page(as_before).items())
    except (OSError, ValueError, KeyError, TypeError):
        return now
    return (as_before.number, issued) if same else now


def _states(stage: Staging, parcels: Iterable[Parcel]) -> Iterator[FieldState]:
    for parcel in parcels:
        state = unpack((stage.folder / state_path(parcel.slug)).read_bytes())
        if state is None:
            raise OutputError(f"{stage.folder}: what was just written reads back damaged; check the disk.")
        yield state


def _write_json(stage: Staging, farm: Farm, settings: Settings, edition: Edition, parcels: list[Parcel]) -> None:
    """data/atlas.json, one field at a time."""
    head = json.dumps({"format": FORMAT, "edition": edition.as_json(), **farm_head(farm, settings)})
    with stage.path("data/atlas.json").open("w", encoding="utf-8") as f:
        f.write(head[:-1] + ', "fields": [')
        for i, state in enumerate(_states(stage, parcels)):
            f.write((",\n" if i else "\n") + json.dumps(state.figures))
        f.write("\n]}\n")
