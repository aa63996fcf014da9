"""What is done beside the rest comes out the same, raises the same, and survives the loss of its process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from atlas.editions.beside import Beside, beside
from atlas.errors import OutputError


def nothing() -> None: ...


def twice(n: int) -> int:
    return 2 * n


def whose() -> int:
    return os.getpid()


def refused() -> None:
    raise OutputError("no room")


def lost(parent: int) -> int:
    """Dies wherever it is not in the parent itself."""
    if os.getpid() != parent:
        os.kill(os.getpid(), signal.SIGKILL)
    return 7


def test_without_a_process_it_is_done_here() -> None:
    assert Beside(None).do(whose)() == os.getpid()
    with beside(False, nothing) as other:
        assert other.do(whose)() == os.getpid()


def test_with_one_it_is_done_there_and_errors_come_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    with beside(True, nothing) as other:
        assert other.do(whose)() != os.getpid()
        assert other.do(twice, 21)() == 42
        with pytest.raises(OutputError, match="no room"):
            other.do(refused)()
        assert other.do(lost, os.getpid())() == 7
        assert other.do(twice, 4)() == 8  # the process is gone; the answer is not


def test_a_worker_leaves_when_the_build_is_killed(tmp_path: Path) -> None:
    told = tmp_path / "pid"
    script = tmp_path / "build.py"
    script.write_text(
        textwrap.dedent(f"""
            import os, pathlib, time
            from atlas.processes import Process

            def stay(pipe):
                pathlib.Path({str(told)!r}).write_text(str(os.getpid()))
                time.sleep(600)

            if __name__ == "__main__":
                Process(stay).pipe.recv()
        """)
    )
    run = subprocess.Popen([sys.executable, str(script)])
    while not (told.exists() and told.read_text()):
        assert run.poll() is None
        time.sleep(0.05)
    worker = int(told.read_text())
    run.kill()
    run.wait()
    until = time.monotonic() + 60
    while running(worker):
        assert time.monotonic() < until, "the worker goes on without its build"
        time.sleep(0.05)


def running(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"
