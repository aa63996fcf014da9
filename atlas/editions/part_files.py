"""Files of a folder that is not ours alone, each written under a name of its own and then moved into place; what a
killed process left half-written there is gone with the next one."""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import secrets
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

NAME = re.compile(r"[a-z0-9][a-z0-9-]*(\.[A-Za-z-]+)?\.(html|zip)")  # of what is handed on
_PART = re.compile(rf"\.{NAME.pattern}\.[0-9a-f]{{8}}\.part")


@contextlib.contextmanager
def moved_into(folder: Path, name: str) -> Iterator[BinaryIO]:
    """A file to fill; once it is on the disk it is moved over `name`, which stays as it was on any error."""
    part = folder / f".{name}.{secrets.token_hex(4)}.part"
    try:
        with part.open("xb") as f:
            with contextlib.suppress(OSError):  # some file systems know no locks: there nothing is swept either
                fcntl.flock(f, fcntl.LOCK_SH)
            yield f
            f.flush()
            os.fsync(f.fileno())
            part.replace(folder / name)
    finally:
        part.unlink(missing_ok=True)


def sweep(folder: Path) -> None:
    """Remove what a killed process left; one that is at work holds its file locked."""
    for entry in folder.iterdir():
        if not _PART.fullmatch(entry.name):
            continue
        with contextlib.suppress(OSError):  # at work, gone meanwhile, or not ours to remove
            handle = os.open(entry, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
            try:
                if stat.S_ISREG(os.fstat(handle).st_mode):
                    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    entry.unlink()
            finally:
                os.close(handle)
