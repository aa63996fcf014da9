"""Adds what a farm file lacks (a layer, a table, a column) the way the GeoPackage standard registers it."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime

from atlas.errors import LayerError
from atlas.farm.edit_rows import Table, quoted, stamp, table
from atlas.farm.schema import LayerSchema

_TYPES = {
    "str": "TEXT",
    "int32": "MEDIUMINT",
    "float": "REAL",
    "bool": "BOOLEAN",
    "datetime": "DATETIME",
    "bytes": "BLOB",
}
_RTREE_DEFINITION = "http://www.geopackage.org/spec120/#extension_rtree"
_SHAPED = "(NEW.{g} NOTNULL AND NOT ST_IsEmpty(NEW.{g}))"
_NO_SHAPE = "(NEW.{g} ISNULL OR ST_IsEmpty(NEW.{g}))"
_PUT = (
    "INSERT OR REPLACE INTO {r} VALUES (NEW.{k}, ST_MinX(NEW.{g}), ST_MaxX(NEW.{g}), "
    "ST_MinY(NEW.{g}), ST_MaxY(NEW.{g}));"
)
# The seven triggers of the spatial index extension (OGC 12-128r14, annex F.3), as GeoPackage 1.2 has them.
_TRIGGERS = {
    "insert": "AFTER INSERT ON {t} WHEN " + _SHAPED + " BEGIN " + _PUT + " END",
    "update1": "AFTER UPDATE OF {g} ON {t} WHEN OLD.{k} = NEW.{k} AND " + _SHAPED + " BEGIN " + _PUT + " END",
    "update2": "AFTER UPDATE OF {g} ON {t} WHEN OLD.{k} = NEW.{k} AND "
    + _NO_SHAPE
    + " BEGIN DELETE FROM {r} WHERE id = OLD.{k}; END",
    "update3": "AFTER UPDATE ON {t} WHEN OLD.{k} != NEW.{k} AND "
    + _SHAPED
    + " BEGIN DELETE FROM {r} WHERE id = OLD.{k}; "
    + _PUT
    + " END",
    "update4": "AFTER UPDATE ON {t} WHEN OLD.{k} != NEW.{k} AND "
    + _NO_SHAPE
    + " BEGIN DELETE FROM {r} WHERE id IN (OLD.{k}, NEW.{k}); END",
    "delete": "AFTER DELETE ON {t} WHEN OLD.{g} NOT NULL BEGIN DELETE FROM {r} WHERE id = OLD.{k}; END",
}


def add_layer(db: sqlite3.Connection, schema: LayerSchema, where: str, srs_id: int | None = None) -> Table:
    """Create one of our layers, empty; with `srs_id` it holds shapes of any type and has a spatial index.

    Raises LayerError where the file uses the name for something else.
    """
    taken = db.execute("SELECT type FROM sqlite_master WHERE lower(name) = lower(?)", (schema.name,)).fetchone()
    if taken is not None:
        raise LayerError(
            f"{where}: needs a layer '{schema.name}', but the file has a {taken[0]} of that name "
            "that is no such layer; rename it."
        )
    fields = ['"fid" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL']
    if srs_id is not None:
        fields.append('"geom" GEOMETRY')
    fields += [f"{quoted(name)} {_TYPES[kind]}" for name, kind in schema.columns.items()]
    db.execute(f"CREATE TABLE {quoted(schema.name)} ({', '.join(fields)})")
    db.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id) "
        "VALUES (?, ?, ?, '', ?, ?)",
        (
            schema.name,
            "attributes" if srs_id is None else "features",
            schema.name,
            stamp(datetime.now(UTC)),
            0 if srs_id is None else srs_id,
        ),
    )
    if srs_id is not None:
        db.execute(
            "INSERT INTO gpkg_geometry_columns (table_name, column_name, geometry_type_name, srs_id, z, m) "
            "VALUES (?, 'geom', 'GEOMETRY', ?, 0, 0)",
            (schema.name, srs_id),
        )
        _add_spatial_index(db, schema.name)
    return table(db, schema.name, where)


def add_column(db: sqlite3.Connection, to: Table, name: str, kind: str, where: str) -> Table:
    """Append an empty column and return the table as it is now."""
    db.execute(f"ALTER TABLE {quoted(to.name)} ADD COLUMN {quoted(name)} {_TYPES[kind]}")
    return table(db, to.name, where)


def _add_spatial_index(db: sqlite3.Connection, name: str) -> None:
    index = f"rtree_{name}_geom"
    db.execute(
        "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT "
        "NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL, "
        "CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
    )
    db.execute(
        "INSERT INTO gpkg_extensions (table_name, column_name, extension_name, definition, scope) "
        "VALUES (?, 'geom', 'gpkg_rtree_index', ?, 'write-only')",
        (name, _RTREE_DEFINITION),
    )
    db.execute(f"CREATE VIRTUAL TABLE {quoted(index)} USING rtree(id, minx, maxx, miny, maxy)")
    words = {"t": quoted(name), "r": quoted(index), "g": '"geom"', "k": '"fid"'}
    for part, body in _TRIGGERS.items():
        db.execute(f"CREATE TRIGGER {quoted(f'{index}_{part}')} {body.format(**words)}")
