"""Plain SQLite connections to a farm file: short, read-only unless said otherwise, and never left open.

Several builds of SQLite live in this process (Python's own and one in each GDAL), and closing a file in one drops
the locks of the others. So a connection is opened, used and closed at once.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from atlas.errors import FarmFileError
from atlas.farm import edit

HEADER = b"SQLite format 3\x00"
SQLITE_ERRORS = (sqlite3.Error, UnicodeDecodeError)  # what reading a damaged file raises
WAIT_S = 10.0  # for a file that another program holds
NEEDED = {"gpkg_contents", "gpkg_spatial_ref_sys"}


def connect_to_read(path: Path) -> sqlite3.Connection:
    """A read-only connection; the caller closes it at once."""
    return sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True, timeout=WAIT_S)


def connect_to_write(path: Path) -> sqlite3.Connection:
    """A connection to a file that is being made and moved into place later, so it waits for no disk."""
    db = sqlite3.connect(path, timeout=WAIT_S)
    db.execute("PRAGMA synchronous = OFF")
    return db


def check(path: Path) -> None:
    """Raise FarmFileError unless `path` is a whole GeoPackage that can be read.

    What a killed writer left half done is undone first: programs that only read cannot do that.
    """
    head = _start(path)
    if not head.startswith(HEADER) or len(head) < 100:
        raise FarmFileError(f"{path}: is not a GeoPackage; export the farm as GeoPackage (.gpkg).")
    edit.settle(path)
    head, size = _start(path), path.stat().st_size
    page = int.from_bytes(head[16:18], "big")
    whole = (65536 if page == 1 else page) * int.from_bytes(head[28:32], "big")
    if size < whole:
        raise FarmFileError(f"{path}: is cut off ({size} of {whole} bytes); copy it again.")
    try:
        with closing(connect_to_read(path)) as db:
            tables = {
                row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")
            }
    except SQLITE_ERRORS as e:
        raise FarmFileError(sentence(path, e)) from e
    if not tables >= NEEDED:
        raise FarmFileError(f"{path}: is an SQLite file but not a GeoPackage; export the farm as GeoPackage.")


def _start(path: Path) -> bytes:
    """The first hundred bytes, SQLite's own header."""
    try:
        with path.open("rb") as f:
            return f.read(100)
    except IsADirectoryError as e:
        raise FarmFileError(f"{path}: is a folder; name the farm file in it.") from e
    except FileNotFoundError as e:
        raise FarmFileError(f"{path}: is not there; check the name.") from e
    except OSError as e:
        raise FarmFileError(f"{path}: cannot be read ({e.strerror or e}).") from e


def check_whole(path: Path) -> None:
    """Have SQLite read every page of the file. Raises FarmFileError where some do not fit together."""
    try:
        with closing(connect_to_read(path)) as db:
            found = db.execute("PRAGMA quick_check(1)").fetchone()[0]
    except SQLITE_ERRORS as e:
        raise FarmFileError(sentence(path, e)) from e
    if found != "ok":
        raise FarmFileError(f"{path}: is damaged ({found.splitlines()[0]}); fetch a whole copy.")


def sentence(path: Path, error: Exception) -> str:
    """What an SQLite error, also one that GDAL passes on, means to the one who holds the file."""
    text = str(error).lower()
    if "locked" in text or "busy" in text:
        return f"{path}: is held by another program; close it there and try again."
    if (
        isinstance(error, UnicodeDecodeError)
        or "malformed" in text
        or "not a database" in text
        or "disk image" in text
    ):
        return f"{path}: is damaged ({error}); fetch a whole copy."
    return f"{path}: cannot be read as a GeoPackage ({error})."
