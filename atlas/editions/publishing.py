"""Publishing in one move: an atlas is written beside the old one and exchanged with it, so that a reader sees
either the old atlas or the new one, whole.

On Linux the exchange is one system call (renameat2 with RENAME_EXCHANGE); elsewhere two renames.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from atlas.editions.disk import MOST_BYTES, names_to_disk, opened_inside, to_disk
from atlas.errors import OutputError

FORMAT = "field-atlas/1"
STATE = PurePosixPath("data/state")
_RENAME_EXCHANGE = 2
_AT_FDCWD = -100
CLAIMS = 3  # a folder may vanish between making and locking it: another build has just published
_THE_DISK = frozenset(
    getattr(errno, name)
    for name in ("ENOSPC", "EDQUOT", "EFBIG", "EROFS", "EACCES", "EPERM", "EIO", "EBUSY", "EXDEV")
)


class Staging:
    """The folder the next atlas is written into. Paths are relative to it and may never leave it."""

    def __init__(self, folder: Path, previous: Path | None, damaged: frozenset[str] = frozenset()) -> None:
        self.folder = folder
        self.previous = previous
        self.damaged = damaged  # files of the atlas before that are never taken over

    def write(self, relative: str, content: bytes) -> None:
        """Write one file. Raises OutputError if the path would leave the folder or cannot be written."""
        target = self._inside(relative)
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            target.unlink(missing_ok=True)  # a file that was kept is the old atlas's own too, and that stays
            target.write_bytes(content)
        except OSError as e:
            raise OutputError(f"{target}: cannot be written ({e.strerror}); the old atlas stays.") from e

    def path(self, relative: str) -> Path:
        """Where a file another library writes itself has to go; its folder exists afterwards."""
        target = self._inside(relative)
        target.parent.mkdir(parents=True, exist_ok=True)
        return target

    def read(self, relative: str) -> bytes:
        """What was written or kept under a path. Raises OutputError where nothing can be read there."""
        source = self._inside(relative)
        try:
            return source.read_bytes()
        except OSError as e:
            raise OutputError(f"{source}: cannot be read back ({e.strerror}); the old atlas stays.") from e

    def keep(self, relative: str) -> bool:
        """Take a file over from the atlas before, as it is. False if it is not there, or not as it was written."""
        if self.previous is None or relative in self.damaged:
            return False
        old, new = self.previous / relative, self.path(relative)
        if old.is_symlink() or not old.is_file():
            return False
        try:
            os.link(old, new)
        except OSError:
            shutil.copyfile(old, new)
        return True

    def _inside(self, relative: str) -> Path:
        pure = PurePosixPath(relative)
        if pure.is_absolute() or ".." in pure.parts or not pure.parts:
            raise OutputError(f"'{relative}': would be written outside the atlas; nothing was published.")
        return self.folder.joinpath(*pure.parts)


def is_atlas(folder: Path) -> bool:
    """Whether a folder holds an atlas of ours, told by the first key of its data file."""
    try:
        with opened_inside(folder, "data/atlas.json") as f:
            head = f.read(64)
    except OSError:
        return False
    return head.startswith(f'{{"format": {json.dumps(FORMAT)}'.encode())


def check_target(out: Path) -> Path | None:
    """The atlas that is there, or None if the target is free. Raises OutputError on anything else.

    Dot-files do not count (a version-controlled empty folder holds one) and are carried over.
    """
    if out.is_symlink():
        raise OutputError(f"{out}: is a link; name the folder itself.")
    if not out.exists():
        return None
    if not out.is_dir():
        raise OutputError(f"{out}: is a file; name a folder for the atlas.")
    if is_atlas(out):
        _check_plain(out)
        return out
    other = sorted(p.name for p in out.iterdir() if not p.name.startswith("."))
    if other:
        raise OutputError(f"{out}: holds something else than an atlas ('{other[0]}'); name a new folder.")
    return None


def _check_plain(atlas: Path) -> None:
    """Raise OutputError for an atlas with a link or a pipe in it, or with state no build of ours would write: the
    next build takes files over from it, and reads its state."""
    folders = [atlas]
    while folders:
        with os.scandir(folders.pop()) as found:
            for entry in found:
                if entry.is_dir(follow_symlinks=False):
                    folders.append(Path(entry.path))
                elif not entry.is_file(follow_symlinks=False) and not entry.name.startswith("."):
                    raise OutputError(f"{entry.path}: is a link or a pipe, an atlas has none; name a new folder.")
                elif entry.path.startswith(str(atlas / STATE)) and entry.stat().st_size > MOST_BYTES:
                    raise OutputError(f"{entry.path}: is larger than any file of an atlas; name a new folder.")


@contextlib.contextmanager
def staging(out: Path) -> Iterator[Staging]:
    """A sibling folder to write the next atlas into; exchanged with `out` on leaving without an error.

    Raises OutputError when the target holds anything but an atlas, is being written by another build, or
    cannot be written. On any error the atlas that was there stays as it was.
    """
    out = out.absolute()
    previous = check_target(out)
    folder = out.parent / f".{out.name}.next"
    claimed = _claim(folder)
    lock: int | None = claimed
    try:
        _empty(folder)
        _carry_dot_files(out, folder)
        yield Staging(folder, previous)
        to_disk(folder)  # or a power cut after the exchange would leave empty files under the old names
        lock = _published(folder, out, claimed)
    except OSError as e:
        if e.errno not in _THE_DISK:
            raise
        raise OutputError(f"{out}: cannot be published ({e.strerror or e}); the old atlas stays.") from e
    finally:
        if lock is not None:
            shutil.rmtree(folder, ignore_errors=True)
            os.close(lock)


def _published(new: Path, out: Path, lock: int) -> int | None:
    """Exchange the two, then lock what was there before, so that it can be removed.

    From the exchange on another build may take the folder `new` over. None if one did: it is
    not ours to touch then.
    """
    _exchange(new, out)
    names_to_disk(out.parent)
    os.close(lock)
    return _locked(new)


def _claim(folder: Path) -> int:
    """Make the sibling folder and lock it; a folder left over from a build that died is taken over."""
    try:
        for _ in range(CLAIMS):
            folder.parent.mkdir(parents=True, exist_ok=True)
            folder.mkdir(exist_ok=True)
            if folder.is_symlink():
                raise OutputError(f"{folder}: is a link; remove it and build again.")
            if (handle := _locked(folder)) is not None:
                return handle
    except OSError as e:
        raise OutputError(
            f"{folder.parent}: cannot be written ({e.strerror}); name another folder with --out."
        ) from e
    raise OutputError(f"{folder}: another build is writing this atlas; wait until it is done.")


def _locked(folder: Path) -> int | None:
    """Lock a folder. None if another build has it, or it went away or was exchanged meanwhile."""
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    except FileNotFoundError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if os.path.samestat(os.fstat(handle), folder.stat(follow_symlinks=False)):
            return handle
    except (BlockingIOError, FileNotFoundError):
        pass
    os.close(handle)
    return None


def _empty(folder: Path) -> None:
    for entry in folder.iterdir():
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry)
        else:
            entry.unlink()


def _carry_dot_files(out: Path, folder: Path) -> None:
    if not out.is_dir():
        return
    for entry in out.iterdir():
        if entry.name.startswith(".") and entry.is_file() and not entry.is_symlink():
            shutil.copyfile(entry, folder / entry.name)


def _exchange(new: Path, out: Path) -> None:
    """Put `new` where `out` is in one move; afterwards `new` holds what was there before, if anything."""
    if not out.exists():
        new.rename(out)
        return
    if _swap(new, out):
        return
    aside = new.with_name(new.name + "-old")
    shutil.rmtree(aside, ignore_errors=True)
    out.rename(aside)
    new.rename(out)
    shutil.rmtree(aside, ignore_errors=True)


def _swap(a: Path, b: Path) -> bool:
    """Exchange two folders in one system call. False where the system or file system has none."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    if call(_AT_FDCWD, os.fsencode(a), _AT_FDCWD, os.fsencode(b), _RENAME_EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):
        return False
    raise OSError(code, os.strerror(code))
