"""What publishing asks of the file system: reading from a folder that a stranger may have filled, and having what
was written reach the disk before it counts."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import BinaryIO

MOST_BYTES = 256_000_000  # of one file that the next build reads back
# What reading state that somebody else may have written can raise; all it costs is working it out anew.
UNREADABLE = (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError)
_UNKNOWN = (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP)


@contextlib.contextmanager
def opened_inside(folder: Path, relative: str) -> Iterator[BinaryIO]:
    """A plain file below `folder`, to read. Raises OSError where the path leads out, and where anything on it is a
    link or no plain file: a pipe would never end."""
    parts = PurePosixPath(relative).parts
    if not parts or relative.startswith("/") or ".." in parts or "\0" in relative:
        raise OSError(errno.EINVAL, "leads out of the folder")
    with contextlib.ExitStack() as opened:
        at = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        opened.callback(os.close, at)
        for part in parts[:-1]:
            at = os.open(part, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=at)
            opened.callback(os.close, at)
        handle = os.open(parts[-1], os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=at)
        file = opened.enter_context(os.fdopen(handle, "rb"))
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(errno.EINVAL, "is no plain file")
        yield file


def read_inside(folder: Path, relative: str) -> bytes:
    """All of such a file. Raises OSError as `opened_inside` does, and for one larger than any of ours."""
    with opened_inside(folder, relative) as file:
        content = file.read(MOST_BYTES + 1)
    if len(content) > MOST_BYTES:
        raise OSError(errno.EFBIG, "is larger than any file of an atlas")
    return content


def to_disk(folder: Path) -> None:
    """Have everything written so far to this folder's disk reach it, in one call: file by file would take longer.

    Raises OSError where the disk fails.
    """
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        call = getattr(ctypes.CDLL(None, use_errno=True), "syncfs", None)
        if call is None:
            os.sync()
        elif call(handle) and (code := ctypes.get_errno()) not in _UNKNOWN:
            raise OSError(code, os.strerror(code))
    finally:
        os.close(handle)


def names_to_disk(folder: Path) -> None:
    """Have the names in a folder reach the disk: which atlas is the new one."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with contextlib.suppress(OSError):  # some file systems know no such thing; the exchange has happened
            os.fsync(handle)
    finally:
        os.close(handle)
