"""Holds a farm file to plain tables that are whole: no view that runs the file's own SQL, no row lost unnoticed.

Reading a view, a virtual table or a made-up column runs what somebody wrote into the file: it may never end, or
fill the memory. A damaged page can lose a marking without any error; the file's own structure tells, and the count
of rows that its triggers keep.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from atlas.errors import FarmFileError, LayerError
from atlas.farm import sqlite_file
from atlas.farm.schema import VECTOR_LAYERS

OURS = frozenset(layer.name for layer in VECTOR_LAYERS)
_BOOKS = ("gpkg_", "field_atlas_")  # tables that are read whatever the list of contents says


def odd(db: sqlite3.Connection) -> dict[str, str]:
    """What is listed like a table and is no plain one, by its name in lower case. Raises sqlite3.Error."""
    found: dict[str, str] = {}
    for name, kind, sql in db.execute("SELECT lower(name), type, upper(sql) FROM sqlite_master").fetchall():
        if kind == "view":
            found[str(name)] = "a view"
        elif kind == "table" and str(sql).split()[:2] == ["CREATE", "VIRTUAL"]:
            found[str(name)] = "a virtual table"
        elif kind == "table" and db.execute(_HIDDEN, (name,)).fetchone():
            found[str(name)] = "a table with made-up columns"
    return found


_HIDDEN = "SELECT 1 FROM pragma_table_xinfo(?) WHERE hidden > 0 LIMIT 1"


def check(path: Path, odd_ones: dict[str, str]) -> None:
    """Raise FarmFileError where one of the format's own tables is no plain one."""
    for name, what in odd_ones.items():
        if name.startswith(_BOOKS):
            raise FarmFileError(f"{path}: its table '{name}' is {what}; export the farm anew.")


def check_layer(path: Path, table: str, odd_ones: dict[str, str]) -> None:
    """Raise LayerError where a listed layer is no plain table."""
    if (what := odd_ones.get(table.lower())) is not None:
        raise LayerError(f"{path}, layer '{table}': is {what}; export it as a plain table.")


def check_listed(path: Path, db: sqlite3.Connection, listed: dict[str, str]) -> None:
    """Raise FarmFileError where the list of contents (name in lower case to kind) names a table that is not there,
    or keeps quiet about one that we would read: unread markings make ground look open. Raises sqlite3.Error.
    """
    there = {str(name) for (name,) in db.execute("SELECT lower(name) FROM sqlite_master WHERE type = 'table'")}
    for name in listed:
        if name not in there:
            raise FarmFileError(f"{path}: lists a layer '{name}' that it does not hold; fetch a whole copy.")
    shaped = set()
    if "gpkg_geometry_columns" in there:
        shaped = {str(n) for (n,) in db.execute("SELECT lower(table_name) FROM gpkg_geometry_columns")}
    for name in sorted(there & (shaped | OURS)):
        kind = listed.get(name)
        if kind != "features" and (name in shaped or kind != "attributes"):
            raise FarmFileError(
                f"{path}: holds a table '{name}' that its list of contents names as no layer; export it anew."
            )


def counts(db: sqlite3.Connection) -> dict[str, int]:
    """How many rows each table has by the count that triggers of the file keep; not every writer keeps one."""
    if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'gpkg_ogr_contents'").fetchone():
        return {}
    rows = db.execute("SELECT lower(table_name), feature_count FROM gpkg_ogr_contents").fetchall()
    return {str(name): count for name, count in rows if isinstance(count, int)}


def check_whole(path: Path, table: str, rows: int, counted: int | None) -> None:
    """Raise FarmFileError where a layer's pages do not fit together, or rows of it are lost."""
    quoted = table.replace('"', '""')
    try:
        with closing(sqlite_file.connect_to_read(path)) as db:
            found = str(db.execute(f'PRAGMA quick_check("{quoted}")').fetchone()[0])
    except sqlite_file.SQLITE_ERRORS as e:
        raise FarmFileError(sqlite_file.sentence(path, e)) from e
    if found != "ok":
        raise FarmFileError(f"{path}, layer '{table}': is damaged ({found.splitlines()[0]}); fetch a whole copy.")
    if counted is not None and counted != rows:
        raise FarmFileError(
            f"{path}, layer '{table}': holds {rows} rows and the file counts {counted}; fetch a whole copy."
        )
