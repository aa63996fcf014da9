"""A folder beside a file that is being made, on that file's own disk: gone afterwards, or when the next is made if
the one at work was killed."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path

from fiona.errors import FionaError

from atlas.errors import OutputError
from atlas.farm import datasets

WRITE_ERRORS = (OSError, sqlite3.Error, FionaError, *datasets.RASTER_ERRORS)


@contextlib.contextmanager
def scratch(target: Path) -> Iterator[Path]:
    """An empty folder to make `target` in. Raises OutputError where something cannot be written meanwhile."""
    prefix = f".{target.name}.making-"
    try:
        _sweep(target.absolute().parent, prefix)
        with tempfile.TemporaryDirectory(prefix=prefix, dir=target.absolute().parent) as name:
            lock = _locked(Path(name))
            try:
                yield Path(name)
            finally:
                if lock is not None:
                    os.close(lock)
    except WRITE_ERRORS as e:
        why = getattr(e, "strerror", None) or e.__cause__ or e
        raise OutputError(f"{target}: cannot be written ({why}).") from e


def _sweep(parent: Path, prefix: str) -> None:
    """Remove what a killed process left; one that is at work holds its folder locked."""
    for entry in parent.iterdir():
        if entry.name.startswith(prefix) and not entry.is_symlink() and entry.is_dir():
            lock = _locked(entry)
            if lock is not None:
                shutil.rmtree(entry, ignore_errors=True)
                os.close(lock)


def _locked(folder: Path) -> int | None:
    """Lock a folder until it is closed; None where another has it."""
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle
