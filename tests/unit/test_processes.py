"""Processes of our own: heard while they live, told from each other by how they ended, deaf to Ctrl-C."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest

from atlas.processes import Process


def echo(pipe: Connection) -> None:
    while True:
        pipe.send(pipe.recv())


def dies(pipe: Connection, number: int) -> None:
    pipe.recv()
    os.kill(os.getpid(), number)


def leaves(pipe: Connection) -> None:
    pipe.recv()
    os._exit(3)


@pytest.mark.parametrize(
    ("process", "how"),
    [
        (lambda: Process(dies, signal.SIGKILL), "signal 9, as when memory runs out"),
        (lambda: Process(dies, signal.SIGTERM), "signal 15"),
        (lambda: Process(leaves), "exit code 3"),
    ],
)
def test_what_ended_it_is_told(process: Callable[[], Process], how: str) -> None:
    one = process()
    one.pipe.send("go")
    with pytest.raises((EOFError, ConnectionResetError)):
        one.pipe.recv()
    assert one.ended() == how
    one.kill()


FIRST = """
import os, signal, sys
from atlas.processes import Process
from test_processes import echo

if __name__ == "__main__":
    process = Process(echo)  # the first one: nothing of multiprocessing has begun before
    os.kill(process.pid, signal.SIGINT)  # while it is still starting
    process.pipe.send("still there")
    assert process.pipe.recv() == "still there"
    os.kill(process.pid, signal.SIGINT)
    process.pipe.send("and now")
    assert process.pipe.recv() == "and now"
    process.kill()
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, set()), "the build must hear of it"
    print("heard all")
"""


def test_it_never_hears_of_ctrl_c_but_the_build_still_does(tmp_path: Path) -> None:
    script = tmp_path / "first.py"
    script.write_text(FIRST)
    here = Path(__file__).resolve()
    path = os.pathsep.join(str(p) for p in (here.parents[2], here.parent))
    ran = subprocess.run(
        [sys.executable, str(script)], env={**os.environ, "PYTHONPATH": path}, capture_output=True, text=True,
        check=False, timeout=300,
    )  # fmt: skip
    assert (ran.stdout, ran.stderr, ran.returncode) == ("heard all\n", "", 0)


def test_ctrl_c_while_a_process_is_started_comes_right_after(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whichever thread is given the signal, the process gets all that it waits for, and is ended with the rest."""
    now = threading.Event()
    started: list[BaseProcess] = []

    def other() -> None:
        now.wait()
        signal.raise_signal(signal.SIGINT)

    def interrupted(process: BaseProcess) -> None:
        now.set()
        thread.join()
        start(process)
        started.append(process)

    thread = threading.Thread(target=other)
    thread.start()
    start = BaseProcess.start
    monkeypatch.setattr(BaseProcess, "start", interrupted)
    with pytest.raises(KeyboardInterrupt, match=r"^$"):
        Process(echo)
    assert [process.exitcode for process in started] == [-signal.SIGKILL]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
