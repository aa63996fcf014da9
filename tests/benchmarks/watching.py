"""Watch a command and every process it starts: how long it took, what it held at most and its processor time.

`wait4` tells the peak of one process alone; a build shares its work out, so each process is read from /proc while
it lives. The kernel keeps a process's own high-water mark, so little is missed between two looks.
"""

from __future__ import annotations

import os
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path

LOOK_EVERY_S = 0.1


@dataclass
class Watched:
    """Wall and processor seconds of a command with all its processes; peaks in MB."""

    seconds: float = 0.0
    cpu_seconds: float = 0.0
    main_mb: float = 0.0
    together_mb: float = 0.0  # the most that all of them held at one look, shared pages counted each time
    peaks: dict[int, float] = field(default_factory=dict)

    @property
    def largest_mb(self) -> float:
        """The peak of whichever process held most."""
        return max(self.peaks.values(), default=0.0)


def watched(command: list[str], log: Path) -> Watched:
    """Run it to its end, output into `log`. Raises RuntimeError if it fails."""
    found = Watched()
    with log.open("ab") as sink:
        start, spent = time.perf_counter(), os.times()
        process = subprocess.Popen(command, stdout=sink, stderr=sink)
        while process.poll() is None:
            _look(process.pid, found)
            time.sleep(LOOK_EVERY_S)
    found.seconds = time.perf_counter() - start
    now = os.times()
    found.cpu_seconds = (now.children_user - spent.children_user) + (now.children_system - spent.children_system)
    if process.returncode != 0:
        raise RuntimeError(f"{' '.join(command)} failed with {process.returncode}, see {log}")
    return found


def _look(root: int, found: Watched) -> None:
    together = 0.0
    for pid in _tree(root):
        told = _memory(pid)
        if told is not None:
            peak, now = told
            found.peaks[pid] = max(peak, found.peaks.get(pid, 0.0))
            together += now
    found.main_mb = found.peaks.get(root, 0.0)
    found.together_mb = max(found.together_mb, together)


def _tree(root: int) -> list[int]:
    parents: dict[int, int] = {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                parents[int(folder.name)] = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
            except OSError:
                continue
    tree, more = [root], [root]
    while more:
        more = [pid for pid, parent in parents.items() if parent in more]
        tree += more
    return tree


def _memory(pid: int) -> tuple[float, float] | None:
    """Peak and present size in MB, or None where the process is gone."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return None
    of = {line.split(":")[0]: line.split()[1] for line in lines if line.startswith(("VmHWM", "VmRSS"))}
    return (float(of["VmHWM"]) / 1024, float(of["VmRSS"]) / 1024) if len(of) == 2 else None
