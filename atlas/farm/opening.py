"""Opens a farm file: every layer found, read and checked, and what holds on a given day picked out.

Reading never changes the file, and nothing of it stays open but what the terrain needs while windows are read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.strtree import STRtree

from atlas.errors import LayerError, RowError
from atlas.farm import assumptions, history, layers, lying, plain_tables, rows, table, terrain_opening
from atlas.farm.farm import Farm
from atlas.farm.holding import Now, holding
from atlas.farm.layers import Layer, Parts
from atlas.farm.problems import Problems
from atlas.farm.records import Hazard, Parcel, Release, Remark, Storm, WayIn
from atlas.farm.schema import HAZARDS, PARCELS, RELEASES, STORMS, WAYS_IN, LayerSchema
from atlas.farm.table import Row, Table
from atlas.farm.terrain_source import TerrainSource
from atlas.settings import Settings


@dataclass(frozen=True)
class Contents:
    """Everything a farm file says, good and bad; `remarks` with `refused` set would stop a build."""

    parts: Parts
    terrain: TerrainSource | None
    parcels: tuple[Parcel, ...]
    hazards: tuple[tuple[Hazard, Row], ...]
    ways_in: tuple[WayIn, ...]
    storms: tuple[Storm, ...]
    releases: tuple[Release, ...]
    remarks: tuple[Remark, ...]


def open_farm(path: Path, settings: Settings, as_of: datetime | None = None) -> Farm:
    """The farm as its file stood at `as_of` (aware; default now), ready for a survey. `Now` is for a build: rows
    that claim to be still to come are not left out where they close ground.

    Raises FarmFileError, LayerError, TerrainError or, naming the first row that cannot be used, RowError.
    """
    when = as_of if isinstance(as_of, Now) else (as_of or datetime.now(UTC)).astimezone(UTC)
    found = read_contents(path, settings, Problems(keep=False), _earlier_day(as_of))
    for remark in found.remarks:
        if remark.refused:
            raise RowError(f"{path}, layer '{remark.layer}', row {remark.row}: {remark.text}.")
    if not found.parcels or found.terrain is None:
        raise LayerError(f"{path}: holds no parcels; draw at least one.")
    found.terrain.check_covers((p.shape for p in found.parcels), settings.terrain.zones_up_to_cell_m)
    held = holding(found.hazards, found.storms, found.releases, when)
    return Farm(
        path=path,
        name=settings.farm.name or path.stem,
        parcels=found.parcels,
        hazards=held.hazards,
        ways_in=found.ways_in,
        storms=held.storms,
        releases=held.releases,
        terrain=found.terrain,
        remarks=(*found.remarks, *held.remarks),
        as_of=when,
        parcel_index=STRtree([p.shape for p in found.parcels]),
        hazard_index=STRtree([h.shape for h in held.hazards]),
        way_in_index=STRtree([w.shape for w in found.ways_in]),
        backdrop=found.parts.backdrop.name if found.parts.backdrop else None,
    )


def _earlier_day(as_of: datetime | None) -> datetime | None:
    """The day to step back to. Now needs none: what changed last holds, whatever the clock said then."""
    return None if as_of is None or isinstance(as_of, Now) else as_of.astimezone(UTC)


def read_contents(path: Path, settings: Settings, problems: Problems, as_of: datetime | None = None) -> Contents:
    """Every row of every layer we use, in the terrain's CRS; problems of rows are remarks, not errors.

    With `as_of` markings are as they stood then, whatever has been said of them since.

    Raises (or hands to `problems`) FarmFileError, LayerError, TerrainError where there is nothing to go on.
    """
    catalogue = layers.catalogue(path)
    parts = layers.look(path, catalogue, settings, problems)
    terrain = problems.attempt(lambda: terrain_opening.open_terrain(path, parts.dem, settings), None)
    crs = CRS.from_user_input(terrain.grid.crs) if terrain is not None else _own_crs(parts)
    before = history.states_at(path, as_of) if as_of is not None else {}
    reader = _Reader(path, settings, crs, problems, before)
    drawn = reader.table(parts.parcels, PARCELS)
    problems.attempt(lambda: _check_ids(path, parts.parcels, drawn), None)
    parcels = rows.parcels(drawn)
    hazards = rows.hazards([reader.table(layer, HAZARDS) for layer in parts.hazards])
    ways_in = rows.ways_in(reader.table(parts.ways_in, WAYS_IN))
    storms = rows.storms(reader.table(parts.storms, STORMS))
    releases = rows.releases(reader.table(parts.releases, RELEASES))
    problems.attempt(reader.check_settings, None)
    far = lying.far_marks(parcels, hazards, crs) if terrain is not None else []
    said = (*parts.remarks, *(terrain.remarks if terrain is not None else ()), *reader.remarks(), *far)
    return Contents(parts, terrain, parcels, hazards, ways_in, storms, releases, said)


def _check_ids(path: Path, layer: Layer | None, drawn: Table) -> None:
    """Raise LayerError where no column could tell fields apart, naming those there are."""
    if layer is not None and drawn.rows and "field_id" in drawn.lacking:
        have = ", ".join(f"'{column}'" for column in layer.columns)
        raise LayerError(
            f"{path}, layer '{layer.name}': has no column field_id; name the one that tells fields apart in "
            f"columns.field_id. It has {have}."
        )


def _own_crs(parts: Parts) -> CRS:
    """Where to look at shapes when there is no terrain to bring them to."""
    try:
        return CRS.from_user_input(parts.parcels.crs if parts.parcels is not None else "EPSG:4326")
    except CRSError:
        return CRS.from_epsg(4326)


class _Reader:
    """Reads tables one after another and keeps them, so that their remarks can be gathered at the end."""

    def __init__(
        self,
        path: Path,
        settings: Settings,
        crs: CRS,
        problems: Problems,
        before: Mapping[str, history.Before],
    ) -> None:
        self.path = path
        self.settings = settings
        self.crs = crs
        self.problems = problems
        self.before = before
        self.tables: list[tuple[Layer, LayerSchema, Table]] = []

    def table(self, layer: Layer | None, schema: LayerSchema) -> Table:
        """A layer's rows; none where there is no such layer."""
        empty = Table((), frozenset())
        if layer is None:
            return empty
        crs = None if schema.geometry == "None" else self.crs
        columns = tuple(schema.columns)

        def whole() -> Table:
            plain_tables.check_whole(self.path, layer.name, layer.rows, layer.counted)
            return table.read(self.path, layer, columns, self.settings, crs, before=self.before)

        read = self.problems.attempt(whole, empty)
        self.tables.append((layer, schema, read))
        return read

    def check_settings(self) -> None:
        """Raise LayerError for a column that settings name and no layer has."""
        for ours, theirs in self.settings.columns.items():
            if not any(layer.column(theirs) for layer, schema, _ in self.tables if ours in schema.columns):
                have = "; ".join(f"'{layer.name}' has {', '.join(layer.columns)}" for layer, _, _ in self.tables)
                raise LayerError(f"{self.path}: columns.{ours} is '{theirs}', which no layer has ({have}).")

    def remarks(self) -> list[Remark]:
        """What the tables' rows and columns made us assume, layer by layer."""
        said: list[Remark] = []
        for layer, schema, read in self.tables:
            said += assumptions.said(layer, schema, read)
            said += [remark for row in read for remark in row.remarks]
        return said
