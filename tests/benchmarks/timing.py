"""Time whole processes in alternating runs, so that a busy computer slows all of them alike.

Each run is a process of its own; time is its wall clock, memory the most it ever held (from the kernel, by wait4,
of that process alone; a process that starts others says so itself).
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Run:
    seconds: float
    cpu_seconds: float
    peak_mb: float


@dataclass(frozen=True)
class Contender:
    """Something to time: one or more commands, run one after the other."""

    name: str
    commands: tuple[tuple[str, ...], ...]


def run_once(contender: Contender, log: Path) -> Run:
    """Run its commands, output into `log`. Raises RuntimeError if one fails."""
    seconds = cpu = peak = 0.0
    for command in contender.commands:
        with log.open("ab") as sink:
            start = time.perf_counter()
            process = subprocess.Popen(command, stdout=sink, stderr=sink)
            _, status, used = os.wait4(process.pid, 0)
            seconds += time.perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode != 0:
            raise RuntimeError(f"{contender.name}: {' '.join(command)} failed, see {log}")
        cpu += used.ru_utime + used.ru_stime
        peak = max(peak, used.ru_maxrss / 1024)
    return Run(seconds, cpu, peak)


def alternate(contenders: Sequence[Contender], rounds: int, log: Path) -> dict[str, list[Run]]:
    """Each contender once per round, in turn, after one round that does not count (compiled code, file cache)."""
    found: dict[str, list[Run]] = {c.name: [] for c in contenders}
    for number in range(rounds + 1):
        for contender in contenders:
            run = run_once(contender, log)
            if number > 0:
                found[contender.name].append(run)
            mark = "warm-up" if number == 0 else f"run {number}"
            print(f"  {mark}: {contender.name} {run.seconds:.2f} s, {run.peak_mb:.0f} MB", file=sys.stderr)
    return found


def median_seconds(runs: Sequence[Run]) -> float:
    return statistics.median(run.seconds for run in runs)


def median_cpu(runs: Sequence[Run]) -> float:
    return statistics.median(run.cpu_seconds for run in runs)


def largest_mb(runs: Sequence[Run]) -> float:
    return max(run.peak_mb for run in runs)
