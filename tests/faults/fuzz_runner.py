"""Runs fuzz cases in a process of their own: there a crash, a hang or a burst of memory is a find, not the end."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

HANG_S = 30.0
READY_S = 600.0  # kernels may have to be compiled first
HERE = Path(__file__).parent
SEEDS = HERE / "fuzz_seeds.txt"


@dataclass(frozen=True)
class Outcome:
    """What a case came to; `found` is empty where all is as it must be."""

    family: str
    seed: int
    said: str
    found: str
    seconds: float
    peak_mb: float


class Runner:
    """One worker process, begun anew after a find that it did not outlive."""

    def __init__(self, hang_s: float = HANG_S) -> None:
        self.hang_s = hang_s
        self.folder = tempfile.TemporaryDirectory(prefix="fuzz-")
        self.log = Path(self.folder.name) / "log.txt"
        self.process: subprocess.Popen[str] | None = None
        self.starts = 0

    def __enter__(self) -> Runner:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
        self.folder.cleanup()

    def run(self, cases: Iterable[tuple[str, int]]) -> Iterator[Outcome]:
        for family, seed in cases:
            yield self.one(family, seed)

    def one(self, family: str, seed: int) -> Outcome:
        process = self.process or self._start()
        if process.stdin is None:
            raise RuntimeError("the worker has no ears")
        process.stdin.write(json.dumps([family, seed]) + "\n")
        process.stdin.flush()
        answer = self._answer(process, self.hang_s)
        if not answer:
            why = f"hung for {self.hang_s:g} s" if answer is None else f"died (code {process.wait()})"
            said = self.log.read_text(errors="replace")[-1500:]
            self.stop()
            return Outcome(family, seed, "", f"{why}\n{said}", self.hang_s, 0.0)
        if answer["grown"]:
            self.stop()
        return Outcome(family, seed, answer["said"], answer["found"], answer["s"], answer["peak"])

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            for pipe in (self.process.stdin, self.process.stdout):
                if pipe is not None:
                    pipe.close()
        self.process = None

    def _start(self) -> subprocess.Popen[str]:
        self.starts += 1
        work = Path(self.folder.name)
        path = os.pathsep.join([str(HERE), str(HERE.parent), *filter(None, sys.path)])
        with self.log.open("w") as log:
            self.process = subprocess.Popen(
                [sys.executable, str(HERE / "fuzz_worker.py"), str(work)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                env={**os.environ, "PYTHONPATH": path},
            )
        if not self._answer(self.process, READY_S):
            raise RuntimeError(f"the worker did not start: {self.log.read_text(errors='replace')[-2000:]}")
        return self.process

    @staticmethod
    def _answer(process: subprocess.Popen[str], seconds: float) -> dict[str, Any] | None:
        """The worker's next line; nothing in it where it has ended, None where none comes in time."""
        if process.stdout is None or not select.select([process.stdout], [], [], seconds)[0]:
            return None
        line = process.stdout.readline()
        told: dict[str, Any] = json.loads(line) if line.endswith("\n") else {}
        return told


def seeds() -> list[tuple[str, int, int]]:
    """Family, first seed and how many, as `fuzz_seeds.txt` keeps them."""
    lines = (line.partition("#")[0].split() for line in SEEDS.read_text().splitlines())
    return [(family, int(first), int(count)) for family, first, count in (x for x in lines if x)]
