"""Whether an atlas still has all its files: of one that was copied in part, or tidied up, what is missing is
written anew, whatever has changed otherwise."""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Iterator
from pathlib import Path

from atlas.editions.disk import MOST_BYTES, UNREADABLE, read_inside
from atlas.editions.publishing import STATE, Staging

FILES_FILE = "data/state/files.z"


def remember_files(stage: Staging) -> None:
    """Write down the size of every file that is in the staging folder by now, by its path."""
    listed = json.dumps(dict(sorted(_sizes(stage.folder))), ensure_ascii=True)
    stage.write(FILES_FILE, zlib.compress(listed.encode(), 6))


def damaged_files(atlas: Path) -> frozenset[str]:
    """Paths of the files that are missing or have another size than they were written with; all files where the
    atlas does not say."""
    try:
        listed = zlib.decompressobj().decompress(read_inside(atlas, FILES_FILE), MOST_BYTES)
        told = {str(path): int(size) for path, size in json.loads(listed).items()}
    except (zlib.error, *UNREADABLE):
        return frozenset({FILES_FILE, *dict(_sizes(atlas))})
    found = dict(_sizes(atlas))
    return frozenset(path for path, size in told.items() if found.get(path) != size)


def _sizes(root: Path) -> Iterator[tuple[str, int]]:
    """Path and size of every file but those whose name begins with a dot, and the state, which knows by itself
    whether it is whole: where it is lost, it costs only what it knew."""
    folders = [""]
    while folders:
        folder = folders.pop()
        with os.scandir(root / folder) as found:
            for entry in found:
                path = f"{folder}{entry.name}"
                if entry.is_dir(follow_symlinks=False):
                    folders.append(f"{path}/")
                elif not entry.name.startswith(".") and not path.startswith(f"{STATE}/"):
                    yield path, entry.stat(follow_symlinks=False).st_size
