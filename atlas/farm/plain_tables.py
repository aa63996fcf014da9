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

_BOOKS = ("gpkg_", "field_atlas_")  # tables that are read whatever the list of contents says


def check(path: Path, db: sqlite3.Connection) -> None:
    """Raise FarmFileError where one of the format's own tables is none. Raises sqlite3.Error."""
    for name, odd in _odd(db).items():
        if name.startswith(_BOOKS):
            raise FarmFileError(f"{path}: its table '{name}' is {odd}; export the farm anew.")


def check_layer(path: Path, db: sqlite3.Connection, table: str) -> None:
    """Raise LayerError where a listed layer is no plain table. Raises sqlite3.Error."""
    odd = _odd(db).get(table.lower())
    if odd is None:
        hidden = db.execute("SELECT 1 FROM pragma_table_xinfo(?) WHERE hidden > 0 LIMIT 1", (table,)).fetchone()
        odd = "a table with made-up columns" if hidden else None
    if odd is not None:
        raise LayerError(f"{path}, layer '{table}': is {odd}; export it as a plain table.")


def _odd(db: sqlite3.Connection) -> dict[str, str]:
    """What is listed like a table and is none, by its name in lower case."""
    odd: dict[str, str] = {}
    for name, kind, sql in db.execute("SELECT lower(name), type, upper(sql) FROM sqlite_master"):
        if kind == "view":
            odd[str(name)] = "a view"
        elif kind == "table" and str(sql).split()[:2] == ["CREATE", "VIRTUAL"]:
            odd[str(name)] = "a virtual table"
    return odd


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
