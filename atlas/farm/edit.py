"""One change to a farm file as one transaction: it happens whole, or the file stays as it was.

A farm file is written through Python's own SQLite and nothing else while the change lasts, because a second SQLite
in this process (each GDAL brings one) would drop the lock on closing the file. Statements of ours never delete;
what triggers in a foreign file may do is held to what a spatial index and its counters need.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from atlas.errors import FarmFileError
from atlas.farm import edit_geometry

WAIT_S = 10.0
_HEADER = b"SQLite format 3\0"
_BOOKS = {"gpkg_ogr_contents", "gpkg_contents", "sqlite_sequence", "sqlite_master"}
_NEVER = {
    sqlite3.SQLITE_ATTACH: "open another file",
    sqlite3.SQLITE_DETACH: "close another file",
    sqlite3.SQLITE_DROP_TABLE: "drop a table",
    sqlite3.SQLITE_DROP_TRIGGER: "drop a trigger",
    sqlite3.SQLITE_DROP_VIEW: "drop a view",
    sqlite3.SQLITE_DROP_INDEX: "drop an index",
    sqlite3.SQLITE_RECURSIVE: "run a loop",
}


class Guard:
    """Says no to statements that a change never needs; keeps the reason for the sentence."""

    def __init__(self) -> None:
        self.layers: set[str] = set()  # tables the file lists as content, lower case
        self.columns: set[str] = set()  # columns we write, lower case
        self.refusal: str | None = None

    def judge(self, action: int, first: str | None, second: str | None, _db: str | None, by: str | None) -> int:
        """SQLite's authorizer: `by` is the trigger or view that asks, None for a statement of ours."""
        asks = self._unwanted(action, (first or "").lower(), (second or "").lower(), by)
        if asks is None:
            return sqlite3.SQLITE_OK
        who = f"its trigger or view '{by}'" if by else "a statement"
        self.refusal = f"{who} wants to {asks}, which no change of a farm file needs; remove it"
        return sqlite3.SQLITE_DENY

    def _unwanted(self, action: int, table: str, column: str, by: str | None) -> str | None:
        if action in _NEVER:
            return _NEVER[action]
        if table.startswith("rtree_"):
            return None
        if action == sqlite3.SQLITE_DELETE:
            return f"delete from '{table}'"
        if by is None or table in _BOOKS:
            return None
        if action == sqlite3.SQLITE_INSERT and (table in self.layers or table.startswith("gpkg_")):
            return f"add rows to '{table}'"
        if action == sqlite3.SQLITE_UPDATE and (
            table.startswith("gpkg_") or (table in self.layers and column in self.columns)
        ):
            return f"change '{table}'"
        return None


@contextmanager
def transaction(path: Path, wait_s: float = WAIT_S) -> Iterator[tuple[sqlite3.Connection, Guard]]:
    """A connection that alone may write to `path` until the block ends; an error inside undoes everything.

    Waits `wait_s` for other programs. The file stays one plain file: the rollback journal is gone after the
    block, and a file in write-ahead mode is brought back to it where no other program prevents that.
    Raises FarmFileError where the file is missing, no GeoPackage, damaged, read-only or held too long.
    """
    check_header(path)
    guard = Guard()
    connection: sqlite3.Connection | None = None
    try:
        connection = _connect(path, wait_s)
        connection.execute("BEGIN IMMEDIATE")
        connection.set_authorizer(guard.judge)
        yield connection, guard
        connection.execute("COMMIT")
    except sqlite3.Error as e:
        if guard.refusal is not None:
            raise FarmFileError(f"{path}: {guard.refusal}.") from e
        raise FarmFileError(sentence(path, e, wait_s)) from e
    finally:
        if connection is not None:
            _close(connection)


def settle(path: Path) -> None:
    """Undo what a writer that was killed left half done, so that programs that only read see a whole file."""
    check_header(path)
    if not any(path.with_name(path.name + left).exists() for left in ("-journal", "-wal")):
        return
    try:
        connection = _connect(path, WAIT_S)
        try:
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        finally:
            _close(connection)
    except sqlite3.Error as e:
        raise FarmFileError(sentence(path, e, WAIT_S)) from e


def check_header(path: Path) -> None:
    """Raises FarmFileError where `path` is no file that SQLite would know, without opening it as one."""
    try:
        with path.open("rb") as file:
            start = file.read(len(_HEADER))
    except OSError as e:
        raise FarmFileError(f"{path}: cannot be opened ({e.strerror or e}).") from e
    if start != _HEADER:
        raise FarmFileError(f"{path}: is not a GeoPackage; name a farm file (.gpkg).")


def sentence(path: Path, error: sqlite3.Error, wait_s: float) -> str:
    """What a user can do about an error of SQLite."""
    code = getattr(error, "sqlite_errorname", "") or ""
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return f"{path}: another program holds it (waited {wait_s:g} s); close it there and repeat."
    if code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return f"{path}: cannot be written; make the file and its folder writable and repeat."
    if code.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return f"{path}: is damaged ({error}); go back to the last good copy."
    if code.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
        return f"{path}: could not be written ({error}); nothing was changed, make room on the disk and repeat."
    return f"{path}: the change was refused ({error}); nothing was changed."


def _connect(path: Path, wait_s: float) -> sqlite3.Connection:
    connection = sqlite3.connect(
        path.absolute().as_uri() + "?mode=rw", uri=True, timeout=wait_s, isolation_level=None
    )
    edit_geometry.register(connection)
    connection.execute("PRAGMA synchronous = EXTRA")
    connection.execute("PRAGMA cache_spill = OFF")  # nothing reaches the file before the end
    if connection.execute("PRAGMA journal_mode").fetchone()[0].lower() == "wal":
        _leave_write_ahead(connection, wait_s)
    return connection


def _leave_write_ahead(connection: sqlite3.Connection, wait_s: float) -> None:
    """Back to a rollback journal; while another program reads along, the change goes through its journal."""
    connection.execute("PRAGMA busy_timeout = 0")
    with suppress(sqlite3.OperationalError):
        connection.execute("PRAGMA journal_mode = DELETE")
    connection.execute(f"PRAGMA busy_timeout = {int(wait_s * 1000)}")


def _close(connection: sqlite3.Connection) -> None:
    connection.set_authorizer(None)
    with suppress(sqlite3.Error):
        if connection.in_transaction:
            connection.execute("ROLLBACK")
    connection.close()
