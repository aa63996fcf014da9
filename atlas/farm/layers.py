"""Which layer of a farm file is which: by settings, by our own names, or found where there is no doubt."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from atlas.errors import FarmFileError, LayerError
from atlas.farm import plain_tables, sqlite_file
from atlas.farm.problems import Problems
from atlas.farm.records import HAZARD_KINDS, Remark
from atlas.settings import Settings

AREAS = {"POLYGON", "MULTIPOLYGON", "CURVEPOLYGON", "MULTISURFACE", "SURFACE"}
COVERAGE_KINDS = ("2d-gridded-coverage", "elevation")


@dataclass(frozen=True)
class Layer:
    """One table the file lists as its content; `kind` is features, attributes, coverage or tiles."""

    name: str
    kind: str
    geometry: str
    columns: tuple[str, ...]
    rows: int
    crs: str = ""
    counted: int | None = None  # rows as the file's own count has them, where it keeps one

    def column(self, name: str) -> str | None:
        """The layer's own spelling of a column, found without case."""
        return next((c for c in self.columns if c.lower() == name.lower()), None)


@dataclass(frozen=True)
class Parts:
    """The layers by the part they play; None where one is missing."""

    parcels: Layer | None
    hazards: tuple[Layer, ...]
    ways_in: Layer | None
    storms: Layer | None
    releases: Layer | None
    dem: Layer | None
    backdrop: Layer | None
    remarks: tuple[Remark, ...]


@dataclass(frozen=True)
class Chosen(Parts):
    """The same where there are parcels, without which there is no farm."""

    parcels: Layer


def catalogue(path: Path) -> tuple[Layer, ...]:
    """Everything the file lists, in the file's order. Raises FarmFileError where it is no whole GeoPackage."""
    sqlite_file.check(path)
    try:
        with closing(sqlite_file.connect_to_read(path)) as db:
            odd = plain_tables.odd(db)
            plain_tables.check(path, odd)
            shapes, counts = _geometry_types(db), plain_tables.counts(db)
            listed = db.execute(
                "SELECT c.table_name, c.data_type, s.organization || ':' || s.organization_coordsys_id "
                "FROM gpkg_contents c LEFT JOIN gpkg_spatial_ref_sys s ON s.srs_id = c.srs_id ORDER BY c.rowid"
            ).fetchall()
            for name, kind, _ in listed:
                if not isinstance(name, str) or not isinstance(kind, str):
                    raise FarmFileError(f"{path}: its list of contents is damaged; fetch a whole copy.")
                plain_tables.check_layer(path, name, odd)
            plain_tables.check_listed(path, db, {name.lower(): kind for name, kind, _ in listed})
            return tuple(
                replace(_layer(db, name, kind, str(crs or ""), shapes), counted=counts.get(name.lower()))
                for name, kind, crs in listed
            )
    except sqlite_file.SQLITE_ERRORS as e:
        raise FarmFileError(sqlite_file.sentence(path, e)) from e


def _geometry_types(db: sqlite3.Connection) -> dict[str, str]:
    if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'gpkg_geometry_columns'").fetchone():
        return {}
    rows = db.execute("SELECT lower(table_name), upper(geometry_type_name) FROM gpkg_geometry_columns")
    return {str(name): str(kind or "") for name, kind in rows.fetchall()}


def _layer(db: sqlite3.Connection, name: str, data_type: str, crs: str, shapes: dict[str, str]) -> Layer:
    kind = "coverage" if data_type in COVERAGE_KINDS else data_type
    columns = tuple(row[0] for row in db.execute("SELECT name FROM pragma_table_info(?)", (name,)))
    quoted = name.replace('"', '""')
    rows = int(db.execute(f'SELECT count(*) FROM "{quoted}"').fetchone()[0]) if columns else 0
    return Layer(name, kind, shapes.get(name.lower(), ""), columns, rows, crs if kind != "attributes" else "")


def choose(path: Path, layers: tuple[Layer, ...], settings: Settings) -> Chosen:
    """Give each layer its part. Raises LayerError where a needed or named one is missing or in doubt."""
    found = look(path, layers, settings, Problems(keep=False))
    if found.parcels is None:  # look raised already
        raise LayerError(f"{path}: has no parcels.")
    return Chosen(**{**vars(found), "parcels": found.parcels})


def look(path: Path, layers: tuple[Layer, ...], settings: Settings, problems: Problems) -> Parts:
    """Give each layer its part, as far as that can be told; what cannot goes to `problems`."""
    finder = _Finder(path, layers, settings)
    parcels = problems.attempt(finder.parcels, None)
    none: tuple[Layer, ...] = ()
    hazards = problems.attempt(lambda: finder.hazards(parcels), none)
    taken = (*(() if parcels is None else (parcels,)), *hazards)
    names = settings.layers

    def optional(part: str, wanted: str | None, kind: str, *marks: str) -> Layer | None:
        return problems.attempt(lambda: finder.by_mark(part, wanted, kind, marks, taken), None)

    parts = Parts(
        parcels=parcels,
        hazards=hazards,
        ways_in=optional("ways_in", names.ways_in, "features", "way_in_id"),
        storms=optional("storms", names.storms, "attributes", "passed_at"),
        releases=optional("releases", names.releases, "attributes", "released_at", "until"),
        dem=problems.attempt(finder.dem, None),
        backdrop=problems.attempt(finder.backdrop, None),
        remarks=(),
    )
    finder.say_unread((*taken, parts.ways_in, parts.storms, parts.releases))
    return replace(parts, remarks=tuple(finder.remarks))


class _Finder:
    """Looks layers up and keeps what has to be said about it."""

    def __init__(self, path: Path, layers: tuple[Layer, ...], settings: Settings) -> None:
        self.path = path
        self.layers = layers
        self.settings = settings
        self.remarks: list[Remark] = []

    def named(self, part: str, name: str, *kinds: str) -> Layer:
        """The layer a setting names. Raises LayerError listing those there are."""
        found = self._by_name(name, *kinds)
        if found is None:
            raise LayerError(
                f"{self.path}: has no layer '{name}' for layers.{part}; "
                f"it has {self._names(*kinds) or 'none of that kind'}."
            )
        return found

    def parcels(self) -> Layer | None:
        wanted = self.settings.layers.parcels
        if wanted is not None:
            return self.named("parcels", wanted, "features")
        if (ours := self._by_name("parcels", "features")) is not None:
            return ours
        areas = [x for x in self._of("features") if x.geometry in AREAS and not self._is_hazards(x)]
        if not areas:
            areas = [x for x in self._of("features") if self._column(x, "field_id") and not self._is_hazards(x)]
        if not areas:
            raise LayerError(
                f"{self.path}: has no layer of polygons that could be the parcels; it has "
                f"{self._names('features') or 'no vector layers'}. Name one in layers.parcels."
            )
        if len(areas) > 1:
            names = " and ".join(f"'{x.name}'" for x in areas)
            raise LayerError(f"{self.path}: {names} could all be the parcels; name one in layers.parcels.")
        self._say(areas[0], "taken as the parcels, being the only layer of polygons")
        return areas[0]

    def hazards(self, parcels: Layer | None) -> tuple[Layer, ...]:
        wanted = self.settings.layers.hazards
        if wanted is not None:
            return tuple(self.named("hazards", name, "features") for name in wanted)
        found = []
        for layer in self._of("features"):
            if layer is parcels:
                continue
            if layer.name.lower() == "hazards":
                found.append(layer)
            elif self._is_hazards(layer):
                self._say(layer, "taken as hazards, because it has a column of hazard kinds")
                found.append(layer)
        return tuple(found)

    def by_mark(
        self, part: str, wanted: str | None, kind: str, marks: tuple[str, ...], taken: tuple[Layer, ...]
    ) -> Layer | None:
        """An optional layer: as named, under our own name, or the only one with our telling columns."""
        kinds = (kind, "attributes", "features")
        if wanted is not None:
            return self.named(part, wanted, *kinds)
        if (ours := self._by_name(part, *kinds)) is not None:
            return ours
        telling = [x for x in self._of(*kinds) if x not in taken and all(self._column(x, m) for m in marks)]
        if len(telling) > 1:
            names = " and ".join(f"'{x.name}'" for x in telling)
            raise LayerError(f"{self.path}: {names} could all be the {part}; name one in layers.{part}.")
        if telling:
            self._say(telling[0], f"taken as {part}, because it has {' and '.join(marks)}")
            return telling[0]
        return None

    def dem(self) -> Layer | None:
        """The coverage with the heights; None where settings name rasters beside the file, or there is none."""
        wanted = self.settings.layers.dem
        if isinstance(wanted, tuple):
            return None
        if wanted is not None:
            return self._by_name(wanted, "coverage")
        if (ours := self._by_name("dem", "coverage")) is not None:
            return ours
        coverages = self._of("coverage")
        if len(coverages) > 1:
            names = " and ".join(f"'{x.name}'" for x in coverages)
            raise LayerError(f"{self.path}: {names} could all be the terrain; name one in layers.dem.")
        if coverages:
            self._say(coverages[0], "taken as the terrain, being the only gridded coverage")
        return coverages[0] if coverages else None

    def backdrop(self) -> Layer | None:
        if (wanted := self.settings.layers.backdrop) is not None:
            return self.named("backdrop", wanted, "tiles")
        pictures = self._of("tiles")
        return self._by_name("backdrop", "tiles") or (pictures[0] if len(pictures) == 1 else None)

    def say_unread(self, read: tuple[Layer | None, ...]) -> None:
        """A layer left out could be one that marks danger, so it is named."""
        for layer in self._of("features"):
            if layer not in read:
                self._say(layer, "is not read; if it marks hazards, name it in layers.hazards")

    def _by_name(self, name: str, *kinds: str) -> Layer | None:
        return next((x for x in self._of(*kinds) if x.name.lower() == name.lower()), None)

    def _of(self, *kinds: str) -> list[Layer]:
        return [x for x in self.layers if x.kind in kinds]

    def _names(self, *kinds: str) -> str:
        return ", ".join(f"'{x.name}'" for x in self._of(*kinds))

    def _column(self, layer: Layer, ours: str) -> str | None:
        return layer.column(self.settings.columns.get(ours, ours)) or layer.column(ours)

    def _say(self, layer: Layer, text: str) -> None:
        self.remarks.append(Remark(layer.name, "", text))

    def _is_hazards(self, layer: Layer) -> bool:
        """Whether the layer has a column of kinds that holds at least one of our kinds."""
        if (kind := self._column(layer, "kind")) is None:
            return False
        column, table = (x.replace('"', '""') for x in (kind, layer.name))
        marks = ", ".join("?" * len(HAZARD_KINDS))
        told = f"replace(lower(trim(\"{column}\")), ' ', '_')"
        sql = f'SELECT 1 FROM "{table}" WHERE {told} IN ({marks}) LIMIT 1'
        with closing(sqlite_file.connect_to_read(self.path)) as db:
            return db.execute(sql, HAZARD_KINDS).fetchone() is not None
