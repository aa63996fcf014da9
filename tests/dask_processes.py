"""A Dask scheduler and its workers as processes of their own on this computer, ended whatever happens."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType

ROOT = Path(__file__).resolve().parents[1]
STARTS_WITHIN_S = 120.0


class Cluster:
    """Ports are whichever are free. Used in a `with`; what it printed is in `folder`."""

    def __init__(self, folder: Path, allowed_failures: int = 3) -> None:
        self._folder, self._file = folder, folder / "scheduler.json"
        self._env = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]),
            "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": str(allowed_failures),
            "DASK_DISTRIBUTED__ADMIN__LOG_FORMAT": "%(message)s",
        }
        self.scheduler = self._start("dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
                                     "--no-show", "--scheduler-file", str(self._file))  # fmt: skip
        self.workers: list[subprocess.Popen[bytes]] = []

    def __enter__(self) -> Cluster:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
        for process in (*self.workers, self.scheduler):
            process.wait()

    @property
    def address(self) -> str:
        """Once the scheduler has written it down."""
        until = time.monotonic() + STARTS_WITHIN_S
        while time.monotonic() < until:
            assert self.scheduler.poll() is None, "the scheduler ended"
            try:
                return str(json.loads(self._file.read_text())["address"])
            except (OSError, ValueError, KeyError):
                time.sleep(0.05)
        raise AssertionError("the scheduler never said where it is")

    def add_workers(self, count: int, *more: str) -> None:
        """Start workers and wait until all of them are there."""
        from distributed import Client

        for _ in range(count):
            self.workers.append(
                self._start("dask_worker", self.address, "--host", "127.0.0.1", "--nthreads", "1",
                            "--no-dashboard", "--memory-limit", "0", "--local-directory", str(self._folder), *more)
            )  # fmt: skip
        with Client(self.address, set_as_default=False, timeout=STARTS_WITHIN_S) as client:
            client.wait_for_workers(len(self.workers), timeout=STARTS_WITHIN_S)

    def _start(self, tool: str, *arguments: str) -> subprocess.Popen[bytes]:
        with (self._folder / f"{tool}.log").open("ab") as log:
            command = [sys.executable, "-m", f"distributed.cli.{tool}", *arguments]
            return subprocess.Popen(command, env=self._env, stdout=log, stderr=log, cwd=self._folder)
