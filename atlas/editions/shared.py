"""Everything in an atlas that is not one field's: overview, machine cards, changes, data, assets, and what the
next build needs to know."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from atlas.driving.walk import plan
from atlas.driving.walk_records import FieldStops
from atlas.editions.beside import Beside
from atlas.editions.changes import CHANGES_FILE, Changes, remembered
from atlas.editions.exchange import hazards_geojson, hazards_gpx, walks_gpx
from atlas.editions.polygons import PolygonFile
from atlas.editions.publishing import FORMAT, Staging
from atlas.editions.state import (
    STATE_FILE,
    Edition,
    FieldState,
    code_digest,
    state_path,
    unpack,
)
from atlas.errors import OutputError
from atlas.farm.farm import Farm
from atlas.farm.records import Parcel
from atlas.languages import speakers, speaking
from atlas.pages.assets import asset_files, edition_script
from atlas.pages.change_records import MapChanges
from atlas.pages.changes import changes_page
from atlas.pages.context import PageContext
from atlas.pages.day import day_page
from atlas.pages.figures import farm_head
from atlas.pages.machine_cards import machines_page
from atlas.pages.overview import overview_page
from atlas.pages.overview_entry import OverviewEntry
from atlas.pages.overview_relief import FarmRelief, farm_relief, relief_mark
from atlas.pages.walk import walk_pages
from atlas.paper.volumes import FieldSheet
from atlas.running.records import MissingField
from atlas.settings import Settings

RELIEF_FILE = "data/state/relief.png.z"


def write_shared(
    stage: Staging,
    farm: Farm,
    settings: Settings,
    edition: Edition,
    context: PageContext,
    parcels: list[Parcel],
    other: Beside,
    *,
    missing: tuple[MissingField, ...] = (),
) -> None:
    """Write all shared files into the staging folder; the fields' own pages and states are there already.

    `missing` fields could not be surveyed: the overview names them.

    Paper is bound in the `other` process meanwhile, if there is one.

    Raises OutputError where a state just written cannot be read back.
    """
    for name, content in asset_files().items():
        stage.write(name, content)
    stage.write("assets/edition.js", edition_script(edition.number, edition.issued_at))
    entries, stops, numbers, changes, polygons = _each_field(stage, farm, settings, edition, parcels)
    relief = _relief(stage, farm, context.settings)
    pages = overview_page(entries, context, relief, [m.name for m in missing])
    pages |= day_page(entries, context, relief.ways_in)
    pages |= machines_page(_unless_same(stage, context))
    for name, content in pages.items():
        stage.write(name, content)
    sheets = [FieldSheet(p.slug, p.name, n, p.farm) for p, n in zip(parcels, numbers, strict=True)]
    bound = (
        other.do(_write_paper, stage.folder, stage.previous, sheets, pages, context)
        if settings.print.pdf
        else None
    )
    polygons.done()
    stage.write(CHANGES_FILE, remembered(changes))
    for name, content in changes_page(changes, context).items():
        stage.write(name, content)
    walks = plan(stops)
    kept = _KeptPages(stage, "data/state/walks.json", context)
    for name, content in walk_pages(walks, entries, context, farm.terrain.grid.crs.to_wkt(), kept.keep).items():
        stage.write(name, content)
    kept.remember()
    stage.write("data/hazards.geojson", hazards_geojson(farm))
    with speaking(speakers(context.languages)[0]):
        stage.write("data/walk.gpx", walks_gpx(walks))
        stage.write("data/hazards.gpx", hazards_gpx(farm))
    if bound is not None:
        bound()
    facts = {
        "format": FORMAT,
        "edition": edition.as_json(),
        "machines": _machines_number(stage, context),
        "fields": [p.slug for p in parcels],
    }
    stage.write(STATE_FILE, json.dumps(facts).encode())


def load_paper() -> None:
    """Load what binding paper takes, so that it is there when there is something to bind."""
    import atlas.paper.atlas_pdf  # noqa: F401


def _write_paper(
    folder: Path, previous: Path | None, sheets: list[FieldSheet], pages: dict[str, bytes], context: PageContext
) -> None:
    """Bind the fields' own PDFs, which are there already; volumes whose sheets are as they were are taken over."""
    from atlas.paper.atlas_pdf import atlas_pdfs  # loaded by whoever binds

    stage = Staging(folder, previous)
    kept = _KeptPages(stage, "data/state/paper.json", context)
    for name, content in atlas_pdfs(sheets, stage.read, pages, context, kept.keep):
        stage.write(name, content)
    kept.remember()


def _each_field(
    stage: Staging, farm: Farm, settings: Settings, edition: Edition, parcels: list[Parcel]
) -> tuple[list[OverviewEntry], list[FieldStops], list[int], list[MapChanges], PolygonFile]:
    """Read every field's state once: write data/atlas.json, and keep what other pages list and what is still to be
    written to data/atlas.gpkg."""
    entries, stops, numbers, changes = [], [], [], Changes(stage.previous, edition)
    polygons = PolygonFile(stage.path("data/atlas.gpkg"), farm.terrain.grid.crs)
    head = json.dumps({"format": FORMAT, "edition": edition.as_json(), **farm_head(farm, settings)})
    with stage.path("data/atlas.json").open("w", encoding="utf-8") as f:
        f.write(head[:-1] + ', "fields": [')
        for i, state in enumerate(_states(stage, parcels)):
            f.write((",\n" if i else "\n") + json.dumps(state.figures))
            entries.append(OverviewEntry.from_json(state.entry))
            stops.append(FieldStops.from_json(state.walk))
            numbers.append(state.number)
            changes.take(state)
            polygons.take(state.polygons)
        f.write("\n]}\n")
    return entries, stops, numbers, changes.all(), polygons


class _KeptPages:
    """Takes pages over from the atlas before while all they rest on is as it was, by digests kept in one file."""

    def __init__(self, stage: Staging, file: str, context: PageContext) -> None:
        self._stage, self._file = stage, file
        self._speakers = speakers(context.languages)
        self._now: dict[str, str] = {}
        self._before = self._read()

    def keep(self, path: str, rests_on: str) -> bool:
        """Whether the page was taken over, in every language of the atlas."""
        self._now[path] = hashlib.sha256(f"{code_digest()} {rests_on}".encode()).hexdigest()
        if self._before.get(path) != self._now[path]:
            return False
        return all(self._stage.keep(who.page(path)) for who in self._speakers)

    def remember(self) -> None:
        self._stage.write(self._file, json.dumps(self._now, sort_keys=True).encode())

    def _read(self) -> dict[str, str]:
        if self._stage.previous is None:
            return {}
        try:
            return dict(json.loads((self._stage.previous / self._file).read_bytes()))
        except (OSError, ValueError, TypeError):
            return {}


def _relief(stage: Staging, farm: Farm, settings: Settings) -> FarmRelief:
    """The overview's ground: from the atlas before where the same heights are stored, else shaded anew."""
    mark = relief_mark(farm, settings)
    key = "" if mark is None else hashlib.sha256(f"{code_digest()} {mark}".encode()).hexdigest()
    png = _kept_relief(stage.previous, key) if key else None
    relief = farm_relief(farm, settings, png)
    if key:
        head = json.dumps({"key": key, "crc": zlib.crc32(relief.png)}).encode()
        stage.write(RELIEF_FILE, head + b"\n" + relief.png)
    return relief


def _kept_relief(previous: Path | None, key: str) -> bytes | None:
    if previous is None:
        return None
    try:
        line, _, png = (previous / RELIEF_FILE).read_bytes().partition(b"\n")
        head = json.loads(line)
        return png if head["key"] == key and head["crc"] == zlib.crc32(png) else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


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
