"""Breaks a farm file through SQL: hostile names, views, triggers, wrong types, lies about tiles and times."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from random import Random

import fuzz_shapes
from fuzz_words import NUMBERS, TEXTS, TIMES, value

LAYERS = ("parcels", "hazards", "ways_in", "storms", "releases")
SHAPED = ("parcels", "hazards", "ways_in")
TIMED = {
    "hazards": ("seen_at", "retired_at"),
    "storms": ("passed_at",),
    "releases": ("released_at", "until"),
}
BOOKS = (
    "gpkg_contents", "gpkg_spatial_ref_sys", "gpkg_geometry_columns", "gpkg_extensions", "gpkg_tile_matrix",
    "gpkg_tile_matrix_set", "gpkg_2d_gridded_coverage_ancillary", "gpkg_2d_gridded_tile_ancillary",
    "field_atlas_tile_sums", "gpkg_ogr_contents",
)  # fmt: skip
FOREVER = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) "


def _columns(db: sqlite3.Connection, table: str) -> list[str]:
    return [str(row[1]) for row in db.execute(f"PRAGMA table_info({table})")]


def _set(db: sqlite3.Connection, table: str, column: str, to: object, rng: Random) -> None:
    """Write a value into some or all rows; what the file's own constraints refuse stays as it is."""
    which = rng.choice(("", f" WHERE rowid = {rng.randint(1, 4)}"))
    with suppress(sqlite3.IntegrityError, OverflowError):
        db.execute(f'UPDATE OR IGNORE "{table}" SET "{column}" = ?{which}', (to,))


def names(db: sqlite3.Connection, rng: Random) -> None:
    """Hostile text in ids, names and notes."""
    for _ in range(rng.randint(1, 4)):
        table = rng.choice(LAYERS)
        column = rng.choice([c for c in _columns(db, table) if c not in ("fid", "geom", "photo")])
        _set(db, table, column, rng.choice(TEXTS), rng)


def layer_names(db: sqlite3.Connection, rng: Random) -> None:
    """Hostile names of layers and columns."""
    table, new = rng.choice((*LAYERS, "dem")), rng.choice(TEXTS)[:300].replace("\x00", "")
    quoted = new.replace('"', '""')
    with suppress(sqlite3.OperationalError):
        if rng.random() < 0.4 and table != "dem":
            column = rng.choice(_columns(db, table))
            db.execute(f'ALTER TABLE {table} RENAME COLUMN "{column}" TO "{quoted}"')
        else:
            db.execute(f'ALTER TABLE {table} RENAME TO "{quoted}"')
        for book in ("gpkg_contents", "gpkg_geometry_columns", "gpkg_tile_matrix", "gpkg_tile_matrix_set"):
            db.execute(f"UPDATE OR IGNORE {book} SET table_name = ? WHERE table_name = ?", (new, table))


def views(db: sqlite3.Connection, rng: Random) -> None:
    """Views, triggers, virtual tables and made-up columns where tables should be."""
    table = rng.choice([t for t in (*LAYERS, "dem", *BOOKS) if _columns(db, t)])
    columns = ", ".join(f'"{c}"' for c in _columns(db, table))
    how = rng.randrange(7)
    if how == 5:
        db.execute(f"ALTER TABLE {table} ADD COLUMN farm2 GENERATED ALWAYS AS (zeroblob(900000000)) VIRTUAL")
        return
    if how == 6:
        other = rng.choice(LAYERS)
        for event in ("INSERT", "UPDATE", "DELETE"):
            db.execute(f"CREATE TRIGGER harm_{event} AFTER {event} ON {table} BEGIN DELETE FROM {other}; END")
        return
    db.execute(f"ALTER TABLE {table} RENAME TO moved_away")
    last = _columns(db, "moved_away")[-1]
    told = {
        0: f"SELECT {columns} FROM moved_away",
        1: f"{FOREVER} SELECT m.* FROM moved_away m, c",
        2: f"SELECT {columns} FROM moved_away, (SELECT 1 FROM sqlite_master a, sqlite_master b, sqlite_master c)",
        3: f'SELECT {columns.rpartition(",")[0] or columns}, zeroblob(800000000) AS "{last}" FROM moved_away',
        4: f"SELECT * FROM {rng.choice(('nowhere', table, 'sqlite_master'))}",
    }
    with suppress(sqlite3.OperationalError):
        db.execute(f"CREATE VIEW {table} AS {told[how]}")


def types(db: sqlite3.Connection, rng: Random) -> None:
    """Anything in any cell."""
    for _ in range(rng.randint(1, 5)):
        table = rng.choice((*LAYERS, "hazards"))
        column = rng.choice([c for c in _columns(db, table) if c not in ("fid", "geom")])
        _set(db, table, column, value(rng), rng)


def promises(db: sqlite3.Connection, rng: Random) -> None:
    """Tile tables that promise terabytes, no cells at all, or places that do not agree."""
    for _ in range(rng.randint(1, 3)):
        how = rng.randrange(5)
        if how == 0:
            column = rng.choice(("matrix_width", "matrix_height", "tile_width", "tile_height", "zoom_level"))
            to: object = rng.choice((0, -1, 1, 2, 100_000, 2**31 - 1, 2**40, 2**62, None, "x", 1.5))
            _set(db, "gpkg_tile_matrix", column, to, rng)
        elif how == 1:
            column = rng.choice(("pixel_x_size", "pixel_y_size"))
            to = rng.choice((0, -1, 1e-9, 1e-300, 1e300, float("inf"), None, "x", 2.0, 1.01))
            _set(db, "gpkg_tile_matrix", column, to, rng)
        elif how == 2:
            column = rng.choice(("min_x", "min_y", "max_x", "max_y"))
            to = rng.choice((0, -1e300, 1e300, float("inf"), 600_000.5, 5e6, None, "x", 600_100))
            _set(db, "gpkg_tile_matrix_set", column, to, rng)
        elif how == 3:
            table = rng.choice(("gpkg_2d_gridded_coverage_ancillary", "gpkg_2d_gridded_tile_ancillary"))
            _set(db, table, rng.choice(_columns(db, table)), value(rng), rng)
        else:
            column = rng.choice(("zoom_level", "tile_column", "tile_row", "tile_data"))
            to = rng.choice((-1, 1, 5, 2**40, b"", None, "x", rng.randbytes(100)))
            _set(db, "dem", column, to, rng)
    if rng.random() < 0.3:  # all of it agrees, and is too much
        n = rng.choice((400, 4_000, 2_000_000))
        db.execute("UPDATE gpkg_tile_matrix SET matrix_width = ?, matrix_height = ?", (n, n))
        db.execute("UPDATE gpkg_tile_matrix_set SET max_x = min_x + 256 * ?, min_y = max_y - 256 * ?", (n, n))
        far = fuzz_shapes.blob(fuzz_shapes.circle(6, radius=rng.choice((3e3, 3e4, 3e5))))
        db.execute("UPDATE parcels SET geom = ? WHERE rowid = 1", (far,))


def shapes(db: sqlite3.Connection, rng: Random) -> None:
    for _ in range(rng.randint(1, 3)):
        _set(db, rng.choice(SHAPED), "geom", fuzz_shapes.odd(rng), rng)


def many_corners(db: sqlite3.Connection, rng: Random) -> None:
    _set(db, rng.choice(("parcels", "hazards")), "geom", fuzz_shapes.many_corners(rng), rng)


def books(db: sqlite3.Connection, rng: Random) -> None:
    """Lies in the file's list of contents and its other books."""
    for _ in range(rng.randint(1, 3)):
        there = [t for t in (*BOOKS, "gpkg_contents", "gpkg_geometry_columns") if _columns(db, t)]
        table = rng.choice(there)
        how = rng.randrange(6)
        with suppress(sqlite3.OperationalError, sqlite3.IntegrityError):
            if how == 0:
                db.execute(f"DELETE FROM {table} WHERE rowid IN (SELECT rowid FROM {table} LIMIT 1)")
            elif how == 1 and rng.random() < 0.3:
                db.execute(f"DROP TABLE {table}")
            elif how == 2:
                db.execute(f"ALTER TABLE {table} RENAME COLUMN {rng.choice(_columns(db, table))} TO gone")
            else:
                odd = (*LAYERS, "dem", "sqlite_master", "gpkg_contents", "features", "tiles", 4326, 3857, 99999)
                to = rng.choice((value(rng), rng.choice(odd)))
                _set(db, table, rng.choice(_columns(db, table)), to, rng)


def times(db: sqlite3.Connection, rng: Random) -> None:
    for _ in range(rng.randint(1, 3)):
        table = rng.choice(list(TIMED))
        _set(db, table, rng.choice(TIMED[table]), rng.choice((*TIMES, *NUMBERS)), rng)


FAMILIES: dict[str, Callable[[sqlite3.Connection, Random], None]] = {
    "sql_names": names,
    "sql_layer_names": layer_names,
    "sql_views": views,
    "sql_types": types,
    "sql_promises": promises,
    "sql_shapes": shapes,
    "sql_many_corners": many_corners,
    "sql_books": books,
    "sql_times": times,
}


def change(path: Path, family: str, rng: Random) -> None:
    """Break a copy of a farm file as `family` does; triggers of spatial indexes go first, or nothing could be."""
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = OFF")
        db.execute("PRAGMA synchronous = OFF")
        db.execute("PRAGMA legacy_alter_table = ON")
        with db:
            for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                db.execute(f'DROP TRIGGER "{name}"')
            FAMILIES[family](db, rng)
