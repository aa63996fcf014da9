"""Opens a farm file: every layer found, read and checked, and what holds on a given day picked out.

Reading never changes the file, and nothing of it stays open but what the terrain needs while windows are read.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from pyproj import CRS
from shapely.strtree import STRtree

from atlas.errors import LayerError, RowError
from atlas.farm import layers, rows, table, terrain_opening
from atlas.farm.farm import Farm
from atlas.farm.layers import Chosen, Layer
from atlas.farm.records import Hazard, Parcel, Release, Remark, Storm, WayIn
from atlas.farm.schema import HAZARDS, PARCELS, RELEASES, STORMS, WAYS_IN, LayerSchema
from atlas.farm.table import Row, Table
from atlas.farm.terrain_source import TerrainSource
from atlas.settings import Settings

STORM_KINDS = ("wet_spot", "unstable_bank")


@dataclass(frozen=True)
class Contents:
    """Everything a farm file says, good and bad; `remarks` with `refused` set would stop a build."""

    chosen: Chosen
    terrain: TerrainSource
    parcels: tuple[Parcel, ...]
    hazards: tuple[tuple[Hazard, Row], ...]
    ways_in: tuple[WayIn, ...]
    storms: tuple[Storm, ...]
    releases: tuple[Release, ...]
    remarks: tuple[Remark, ...]


def open_farm(path: Path, settings: Settings, as_of: datetime | None = None) -> Farm:
    """The farm as its file stood at `as_of` (aware; default now), ready for a survey.

    Raises FarmFileError, LayerError, TerrainError or, naming the first row that cannot be used, RowError.
    """
    when = (as_of or datetime.now(UTC)).astimezone(UTC)
    found = read_contents(path, settings)
    for remark in found.remarks:
        if remark.refused:
            raise RowError(f"{path}, layer '{remark.layer}', row {remark.row}: {remark.text}.")
    if not found.parcels:
        raise LayerError(f"{path}, layer '{found.chosen.parcels.name}': holds no parcels; draw at least one.")
    found.terrain.check_covers(p.shape for p in found.parcels)
    storms = tuple(s for s in found.storms if s.passed_at <= when)
    hazards = tuple(_after_storms(hazard, storms) for hazard, row in found.hazards if _in_force(hazard, row, when))
    return Farm(
        path=path,
        name=settings.farm.name or path.stem,
        parcels=found.parcels,
        hazards=hazards,
        ways_in=found.ways_in,
        storms=storms,
        releases=_releases_in_force(found.releases, storms, when),
        terrain=found.terrain,
        remarks=found.remarks,
        as_of=when,
        parcel_index=STRtree([p.shape for p in found.parcels]),
        hazard_index=STRtree([h.shape for h in hazards]),
        way_in_index=STRtree([w.shape for w in found.ways_in]),
        backdrop=found.chosen.backdrop.name if found.chosen.backdrop else None,
    )


def read_contents(path: Path, settings: Settings) -> Contents:
    """Every row of every layer we use, in the terrain's CRS; problems of rows are remarks, not errors.

    Raises FarmFileError, LayerError, TerrainError where there is nothing to go on.
    """
    chosen = layers.choose(path, layers.catalogue(path), settings)
    terrain = terrain_opening.open_terrain(path, chosen.dem, settings)
    crs = CRS.from_user_input(terrain.grid.crs)
    reader = _Reader(path, settings, crs)
    parcels = rows.parcels(reader.table(chosen.parcels, PARCELS))
    hazards = rows.hazards([reader.table(layer, HAZARDS) for layer in chosen.hazards])
    ways_in = rows.ways_in(reader.table(chosen.ways_in, WAYS_IN))
    storms = rows.storms(reader.table(chosen.storms, STORMS))
    releases = rows.releases(reader.table(chosen.releases, RELEASES))
    return Contents(
        chosen,
        terrain,
        parcels,
        hazards,
        ways_in,
        storms,
        releases,
        (*chosen.remarks, *terrain.remarks, *reader.remarks()),
    )


class _Reader:
    """Reads tables one after another and keeps them, so that their remarks can be gathered at the end."""

    def __init__(self, path: Path, settings: Settings, crs: CRS) -> None:
        self.path = path
        self.settings = settings
        self.crs = crs
        self.tables: list[tuple[Layer, LayerSchema, Table]] = []

    def table(self, layer: Layer | None, schema: LayerSchema) -> Table:
        if layer is None:
            return Table((), frozenset())
        crs = None if schema.geometry == "None" else self.crs
        read = table.read(self.path, layer, tuple(schema.columns), self.settings, crs)
        self.tables.append((layer, schema, read))
        return read

    def remarks(self) -> list[Remark]:
        return [remark for _, _, read in self.tables for row in read for remark in row.remarks]


def _in_force(hazard: Hazard, row: Row, when: datetime) -> bool:
    retired = row.moment("retired_at")
    return not (retired is not None and retired <= when) and not (
        hazard.seen_at is not None and hazard.seen_at > when
    )


def _after_storms(hazard: Hazard, storms: tuple[Storm, ...]) -> Hazard:
    """A wet spot or bank last seen before the latest storm (or never dated) may have grown since."""
    if not storms or hazard.kind not in STORM_KINDS:
        return hazard
    seen = hazard.seen_at
    return replace(hazard, unconfirmed=seen is None or seen < storms[-1].passed_at)


def _releases_in_force(
    releases: tuple[Release, ...], storms: tuple[Storm, ...], when: datetime
) -> tuple[Release, ...]:
    """The latest word on each field, where it still holds: given after the last storm, not run out."""
    latest: dict[str, Release] = {}
    for release in releases:
        if release.released_at > when or (storms and release.released_at <= storms[-1].passed_at):
            continue
        before = latest.get(release.field_id)
        if before is None or release.released_at >= before.released_at:
            latest[release.field_id] = release
    return tuple(r for r in latest.values() if when < r.until)
