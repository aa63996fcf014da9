"""What a cluster's worker runs: the same survey as everywhere, a batch of fields at a time.

The scheduler loads this module too, to hand it on, so it loads nothing else until it is used.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import threading
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from atlas.farm.farm import Farm
    from atlas.running.records import Job, Outcome, Task

ENDS_BYTES = 65536  # of the farm file that are looked at: its head counts every change
_one_at_a_time = threading.Lock()  # GDAL's datasets and the language spoken are a process's own
_opened: tuple[bytes, Task, Farm, str] | None = None


def facts(path: str) -> dict[str, str]:
    """What must be the same wherever a field is surveyed: our code, and the farm file as it is seen from here."""
    from atlas.editions.keys import code_digest

    return {"code": code_digest(), "file": file_mark(path)}


def file_mark(path: str) -> str:
    """Size and a digest of both ends of a file; why there is none begins with "-"."""
    try:
        with Path(path).open("rb") as f:
            size = f.seek(0, os.SEEK_END)
            digest = hashlib.sha256()
            for at in (0, max(0, size - ENDS_BYTES)):
                f.seek(at)
                digest.update(f.read(ENDS_BYTES))
    except OSError as e:
        return f"- {e.strerror}"
    return f"{size} {digest.hexdigest()}"


def batch(packed: bytes, expected: dict[str, str], jobs: list[tuple[int, str, str]]) -> bytes:
    """Survey some fields of the task packed in `packed`; their outcomes, pickled.

    Raises RunningError where this worker sees another farm file, or runs other code, than who sent the task.
    """
    from atlas.farm import datasets
    from atlas.running.field import attempt
    from atlas.running.records import Job

    with _one_at_a_time:
        try:
            task, farm, shared = _open(packed, expected)
            found = []
            for job in (Job(*told) for told in jobs):
                _check_same(task, farm, shared, job)
                found.append(attempt(task, farm, job))
        finally:
            datasets.close()  # a worker lives on; another program may want to write the farm file
    return pickle.dumps(found)


def unpack(answer: bytes) -> list[Outcome]:
    """The outcomes that a batch gave."""
    found: list[Outcome] = pickle.loads(answer)
    return found


def _open(packed: bytes, expected: dict[str, str]) -> tuple[Task, Farm, str]:
    from atlas.editions.keys import shared_key
    from atlas.errors import RunningError
    from atlas.farm.opening import open_farm

    global _opened
    if _opened is None or _opened[0] != packed:
        task: Task = pickle.loads(packed)
        path = str(task.farm_path)
        if (difference := differs(expected, facts(path), path)) is not None:
            raise RunningError(f"A worker of the cluster {difference}")
        farm = open_farm(task.farm_path, task.settings, task.as_of)
        _opened = (packed, task, farm, shared_key(farm, task.settings))
    return _opened[1:]


def differs(expected: dict[str, str], found: dict[str, str], path: str) -> str | None:
    """The first difference in words, as "…runs other code", or None."""
    if found["file"].startswith("-"):
        why = found["file"].removeprefix("- ")
        return f"does not see {path} ({why}); keep the farm file where all workers read it under the same path."
    if found["file"] != expected["file"]:
        return f"sees another file as {path} than this computer does; keep one farm file that all of them read."
    if found["code"] != expected["code"]:
        return "runs another field-atlas than this computer does; install the same one everywhere."
    return None


def _check_same(task: Task, farm: Farm, shared: str, job: Job) -> None:
    """The field's key covers all its page rests on, heights in rasters beside the farm file too."""
    from atlas.editions.keys import field_key
    from atlas.errors import RunningError

    known = job.place < len(farm.parcels)
    if not known or field_key(shared, farm, farm.parcels[job.place], task.settings) != job.key:
        raise RunningError(
            f"{task.farm_path}: a worker of the cluster reads something else for field '{job.slug}' than this "
            "computer does; keep the farm file and the rasters beside it where all of them read the same."
        )
