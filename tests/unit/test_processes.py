"""Processes of our own: heard while they live, told from each other by how they ended, deaf to Ctrl-C."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from multiprocessing.connection import Connection

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


def test_it_never_hears_of_ctrl_c_but_the_build_still_does() -> None:
    process = Process(echo)
    try:
        assert process.pid is not None
        os.kill(process.pid, signal.SIGINT)  # while it is still starting
        process.pipe.send("still there")
        assert process.pipe.recv() == "still there"
        os.kill(process.pid, signal.SIGINT)
        process.pipe.send("and now")
        assert process.pipe.recv() == "and now"
    finally:
        process.kill()
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, set())
