"""Where in this very file a change goes: which layers play which part, what they call our columns, in which CRS.

Layers are chosen just as for reading (`atlas.farm.layers`), so that nothing is written where no one would read it.
What the file lacks and a change needs is added; what is there keeps its form, but for columns appended at its end.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry.base import BaseGeometry

from atlas.errors import LayerError
from atlas.farm import edit, edit_rows, edit_schema, layers, sqlite_file
from atlas.farm.change_shapes import fitted, suits
from atlas.farm.columns import column_names
from atlas.farm.edit_rows import Table
from atlas.farm.reprojecting import bring
from atlas.farm.schema import HAZARDS, PARCELS, RELEASES, STORMS, LayerSchema
from atlas.settings import Settings

# The layer for what a foreign layer named `hazards` does not take; readers know it by its kinds.
MORE_HAZARDS = "hazards_more"
# Closing a file drops every lock this process has on it, so no other change of ours may look at files meanwhile.
_ALONE = threading.RLock()


@dataclass(frozen=True)
class Place:
    """A table that plays a part, and its columns by our names."""

    table: Table
    schema: LayerSchema
    columns: Mapping[str, str]

    def theirs(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Our names to the table's own."""
        return {self.columns[ours]: value for ours, value in values.items()}


class FarmChange:
    """An open change: the only writer to the file until its block ends."""

    def __init__(
        self, path: Path, db: sqlite3.Connection, guard: edit.Guard, settings: Settings, chosen: layers.Chosen
    ) -> None:
        self.path = path
        self.db = db
        self._guard = guard
        self._settings = settings
        self._chosen = chosen
        self._crs: dict[int, CRS] = {}
        self.parcels = self._place(chosen.parcels.name, PARCELS)
        self.hazards = [self._place(layer.name, HAZARDS) for layer in chosen.hazards]
        for name in (HAZARDS.name, MORE_HAZARDS) if settings.layers.hazards is None else ():
            if not self._has(self.hazards, name):  # another writer may have added it just now
                self.hazards += [self._place(listed, HAZARDS) for listed in self._listed(name)]
        self._farm_srs = self._find_farm_srs()

    @property
    def crs(self) -> CRS:
        """The CRS in which the farm is measured: the terrain's where it is in metres, else the parcels'."""
        return self.crs_of(self._farm_srs)

    def crs_of(self, srs_id: int) -> CRS:
        """Raises LayerError where the file does not say what `srs_id` means."""
        if srs_id not in self._crs:
            self._crs[srs_id] = self._read_crs(srs_id)
        return self._crs[srs_id]

    def storms(self) -> Place:
        return self._attributes(STORMS, self._chosen.storms)

    def releases(self) -> Place:
        return self._attributes(RELEASES, self._chosen.releases)

    def have(self, schema: LayerSchema) -> Place | None:
        """The table of storms or of releases, if the file has one; nothing is added."""
        chosen = {STORMS.name: self._chosen.storms, RELEASES.name: self._chosen.releases}[schema.name]
        return self._place(chosen.name, schema) if chosen is not None else self.own(schema)

    def own(self, schema: LayerSchema) -> Place | None:
        """A table of ours under its own name, if the file has it."""
        found = self._listed(schema.name)
        return self._place(found[0], schema) if found else None

    def own_or_added(self, schema: LayerSchema) -> Place:
        return self.own(schema) or self._added(schema)

    def place_for(self, shape: BaseGeometry) -> Place:
        """The hazard layer that fits a shape best. Raises LayerError where settings name only others."""
        ranked = [(rank, place) for place in self.hazards if (rank := suits(place.table, shape)) is not None]
        if ranked:
            return min(ranked, key=lambda pair: pair[0])[1]
        if self._settings.layers.hazards is not None:
            names = ", ".join(f"'{place.table.name}'" for place in self.hazards)
            raise LayerError(
                f"{self.path}: no hazard layer ({names}) takes a {shape.geom_type}; add a layer that does and "
                "name it in layers.hazards."
            )
        name = MORE_HAZARDS if self._has(self.hazards, HAZARDS.name) else HAZARDS.name
        self.hazards.append(self._added(replace(HAZARDS, name=name), self._farm_srs))
        return self.hazards[-1]

    def with_columns(self, place: Place, values: Mapping[str, Any]) -> Place:
        """The place with a column for each value that is not None; those it lacks are appended, empty."""
        for ours, value in values.items():
            if value is not None and ours not in place.columns:
                name = self._settings.columns.get(ours, ours)
                edit_schema.add_column(self.db, place.table, name, place.schema.columns[ours], str(self.path))
                place = self._place(place.table.name, place.schema)
        self.hazards = [place if p.table.name == place.table.name else p for p in self.hazards]
        return place

    def add_row(self, place: Place, values: Mapping[str, Any], shape: BaseGeometry | None = None) -> int:
        """Add a row; `shape` comes in the farm's CRS and goes into the layer's own."""
        place = self.with_columns(place, values)
        told = {ours: value for ours, value in values.items() if ours in place.columns}
        return edit_rows.insert(self.db, place.table, place.theirs(told), self.to_layer(place, shape))

    def change_row(
        self, place: Place, key: int, values: Mapping[str, Any], shape: BaseGeometry | None = None
    ) -> None:
        """Change columns of a row, and its shape where one is given (in the farm's CRS)."""
        place = self.with_columns(place, values)
        told = {ours: value for ours, value in values.items() if ours in place.columns}
        edit_rows.update(self.db, place.table, key, place.theirs(told), self.to_layer(place, shape))

    def to_layer(self, place: Place, shape: BaseGeometry | None) -> BaseGeometry | None:
        if shape is None:
            return None
        return fitted(place.table, bring(shape, self.crs, self.crs_of(place.table.srs_id)))

    def _place(self, name: str, schema: LayerSchema) -> Place:
        table = edit_rows.table(self.db, name, str(self.path))
        described = layers.Layer(table.name, "", table.geometry_type, tuple(c.name for c in table.columns), 0)
        columns = column_names(described, tuple(schema.columns), self._settings)
        self._guard.columns |= {c.lower() for c in columns.values()} | {(table.geometry or "").lower()}
        return Place(table, schema, columns)

    def _attributes(self, schema: LayerSchema, chosen: layers.Layer | None) -> Place:
        if chosen is not None:
            return self._place(chosen.name, schema)
        return self.own_or_added(schema)

    def _added(self, schema: LayerSchema, srs_id: int | None = None) -> Place:
        edit_schema.add_layer(self.db, schema, str(self.path), srs_id)
        self._guard.layers.add(schema.name)
        return self._place(schema.name, schema)

    def _listed(self, name: str) -> list[str]:
        rows = self.db.execute("SELECT table_name FROM gpkg_contents WHERE lower(table_name) = ?", (name,))
        return [row[0] for row in rows]

    def _has(self, places: list[Place], name: str) -> bool:
        return any(place.table.name.lower() == name for place in places)

    def _find_farm_srs(self) -> int:
        if self._chosen.dem is not None:
            sql = "SELECT srs_id FROM gpkg_contents WHERE table_name = ?"
            found = self.db.execute(sql, (self._chosen.dem.name,)).fetchone()
            if found and found[0] is not None and self.crs_of(found[0]).is_projected:
                return int(found[0])
        return self.parcels.table.srs_id

    def _read_crs(self, srs_id: int) -> CRS:
        sql = (
            "SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?"
        )
        found = self.db.execute(sql, (srs_id,)).fetchone()
        try:
            if found is not None and str(found[0]).upper() == "EPSG":
                return _flat_crs(f"EPSG:{found[1]}")
            if found is not None and srs_id > 0:
                return _flat_crs(str(found[2]))
        except CRSError as e:
            raise LayerError(f"{self.path}: CRS number {srs_id} cannot be understood; set it again.") from e
        raise LayerError(f"{self.path}: a layer has CRS number {srs_id}, which says nothing; set the layer's CRS.")


@lru_cache(maxsize=64)
def _flat_crs(text: str) -> CRS:
    return CRS.from_user_input(text).to_2d()


@contextmanager
def changing(path: Path, settings: Settings, wait_s: float = edit.WAIT_S) -> Iterator[FarmChange]:
    """Open `path` for one change; see `edit.transaction` for what holds and what is raised."""
    with _ALONE:
        sqlite_file.check(path)
        chosen = layers.choose(path, layers.catalogue(path), settings)
        with edit.transaction(path, wait_s) as (db, guard):
            guard.layers = {str(row[0]).lower() for row in db.execute("SELECT table_name FROM gpkg_contents")}
            yield FarmChange(path, db, guard, settings, chosen)
