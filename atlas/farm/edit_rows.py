"""Rows of a GeoPackage table, added and changed in place, with the file's own books kept right.

The books: the spatial index (by the layer's triggers), the layer's extent and date of change in `gpkg_contents`,
and the row count in `gpkg_ogr_contents` where the file keeps one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from shapely.geometry.base import BaseGeometry

from atlas.errors import LayerError
from atlas.farm import edit_geometry


@dataclass(frozen=True)
class Column:
    name: str
    declared: str  # the type as the table declares it, upper case


@dataclass(frozen=True)
class Table:
    """A table of rows: its key and, for a layer with shapes, where and in which CRS they stand."""

    name: str
    key: str
    columns: tuple[Column, ...]
    geometry: str | None = None
    geometry_type: str = ""
    srs_id: int = 0
    has_z: int = 0  # 0 never, 1 always, 2 may, as gpkg_geometry_columns has it

    def column(self, name: str) -> Column | None:
        """A column found without case."""
        return next((c for c in self.columns if c.name.lower() == name.lower()), None)


def quoted(name: str) -> str:
    """An SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def stamp(moment: datetime, declared: str = "DATETIME") -> str:
    """A moment as GeoPackage text, UTC, thousandths of a second; the day alone for a DATE column."""
    utc = moment.astimezone(UTC)
    if declared == "DATE":
        return utc.strftime("%Y-%m-%d")
    return utc.strftime("%Y-%m-%dT%H:%M:%S.") + f"{utc.microsecond // 1000:03d}Z"


def table(db: sqlite3.Connection, name: str, where: str) -> Table:
    """What the file says about table `name`. Raises LayerError where it is a view or something stranger."""
    kind = db.execute(
        "SELECT type, upper(ltrim(sql)) LIKE 'CREATE TABLE%' FROM sqlite_master "
        "WHERE lower(name) = lower(?) AND type IN ('table', 'view')",
        (name,),
    ).fetchone()
    if kind is None:
        raise LayerError(f"{where}: has no table '{name}'.")
    if tuple(kind) != ("table", 1):
        raise LayerError(f"{where}: '{name}' is a view or virtual table and cannot be written; make it a table.")
    described = db.execute("SELECT name, upper(type), pk FROM pragma_table_info(?)", (name,)).fetchall()
    keys = [column for column, declared, pk in described if pk and declared == "INTEGER"]
    if len(keys) != 1 or sum(bool(pk) for _, _, pk in described) != 1:
        raise LayerError(f"{where}: table '{name}' has no integer primary key; a GeoPackage layer needs one.")
    shape = _geometry(db, name)
    columns = tuple(
        Column(column, declared)
        for column, declared, pk in described
        if not pk and (shape is None or column.lower() != shape[0].lower())
    )
    return Table(name, keys[0], columns) if shape is None else Table(name, keys[0], columns, *shape)


def insert(
    db: sqlite3.Connection, into: Table, values: Mapping[str, Any], shape: BaseGeometry | None = None
) -> int:
    """Add a row and return its key; `values` go by the table's own column names."""
    pairs = {name: _stored(into, name, value) for name, value in values.items()}
    if shape is not None and into.geometry is not None:
        pairs[into.geometry] = edit_geometry.to_blob(shape, into.srs_id)
    names = ", ".join(quoted(name) for name in pairs)
    marks = ", ".join("?" * len(pairs))
    cursor = db.execute(f"INSERT INTO {quoted(into.name)} ({names}) VALUES ({marks})", list(pairs.values()))
    if cursor.rowcount != 1 or cursor.lastrowid is None:
        raise LayerError(f"layer '{into.name}': a trigger of the file swallows new rows; remove it.")
    if shape is not None:
        _widen(db, into, shape)
    _keep_books(db, into)
    return cursor.lastrowid


def update(
    db: sqlite3.Connection,
    into: Table,
    key: int,
    values: Mapping[str, Any],
    shape: BaseGeometry | None = None,
) -> None:
    """Change columns of one row, and its shape where one is given."""
    pairs = {name: _stored(into, name, value) for name, value in values.items()}
    if shape is not None and into.geometry is not None:
        pairs[into.geometry] = edit_geometry.to_blob(shape, into.srs_id)
    sets = ", ".join(f"{quoted(name)} = ?" for name in pairs)
    sql = f"UPDATE {quoted(into.name)} SET {sets} WHERE {quoted(into.key)} = ?"
    if db.execute(sql, [*pairs.values(), key]).rowcount != 1:
        raise LayerError(f"layer '{into.name}', row {key}: cannot be changed; a trigger of the file prevents it.")
    if shape is not None:
        _widen(db, into, shape)
    _keep_books(db, into)


def touch(db: sqlite3.Connection, name: str) -> None:
    """Set a table's date of change."""
    db.execute(
        "UPDATE gpkg_contents SET last_change = ? WHERE lower(table_name) = lower(?)",
        (stamp(datetime.now(UTC)), name),
    )


def _geometry(db: sqlite3.Connection, name: str) -> tuple[str, str, int, int] | None:
    found = db.execute(
        "SELECT column_name, upper(geometry_type_name), srs_id, z FROM gpkg_geometry_columns "
        "WHERE lower(table_name) = lower(?)",
        (name,),
    ).fetchone()
    return None if found is None else (str(found[0]), str(found[1]), int(found[2]), int(found[3]))


def _stored(into: Table, name: str, value: Any) -> Any:
    if isinstance(value, datetime):
        column = into.column(name)
        return stamp(value, column.declared if column else "DATETIME")
    return value


def _widen(db: sqlite3.Connection, into: Table, shape: BaseGeometry) -> None:
    west, south, east, north = shape.bounds
    db.execute(
        "UPDATE gpkg_contents SET min_x = min(ifnull(min_x, :w), :w), min_y = min(ifnull(min_y, :s), :s), "
        "max_x = max(ifnull(max_x, :e), :e), max_y = max(ifnull(max_y, :n), :n) "
        "WHERE lower(table_name) = lower(:table)",
        {"w": west, "s": south, "e": east, "n": north, "table": into.name},
    )


def _keep_books(db: sqlite3.Connection, into: Table) -> None:
    touch(db, into.name)
    if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'gpkg_ogr_contents' AND type = 'table'").fetchone():
        db.execute(
            f"UPDATE gpkg_ogr_contents SET feature_count = (SELECT count(*) FROM {quoted(into.name)}) "
            "WHERE lower(table_name) = lower(?) AND feature_count IS NOT NULL",
            (into.name,),
        )
