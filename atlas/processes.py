"""Processes of our own: started anew (spawn), spoken to through a pipe, ended at once when the build ends.

A process that dies is told from one that answers, with what ended it. Ctrl-C is the build's affair alone: it ends
its processes itself, and they print nothing of it.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection
from typing import Any

ENDS_WITHIN_S = 10.0  # a process whose pipe has closed is on its way out
_spawn = multiprocessing.get_context("spawn")  # one forked after paper was set would wait for ever


def seldom_collect() -> None:
    """Look for unreachable objects less often: a build makes millions that last, and few that hold each other."""
    gc.set_threshold(100_000, 50, 50)


def give_back() -> None:
    """Hand freed memory back to the system, where the C library does: reading a large farm leaves 3 kB a
    field."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)


class Process:
    """A process that runs `serve(pipe, *args)`; all of it must be picklable. What it sends is read from `pipe`."""

    def __init__(self, serve: Callable[..., None], *args: Any) -> None:
        self.pipe, theirs = _spawn.Pipe()
        self._process = _spawn.Process(target=_begin, args=(serve, theirs, *args), daemon=True)
        try:
            with _interrupts_held():
                self._process.start()
        except BaseException:
            if self._process.pid is not None:
                self.kill()
            raise
        finally:
            theirs.close()

    @property
    def pid(self) -> int | None:
        return self._process.pid

    def ended(self) -> str:
        """What ended it, in words, once its pipe has closed."""
        self._process.join(ENDS_WITHIN_S)
        code = self._process.exitcode
        if code is not None and code < 0:
            return f"signal {-code}" + (", as when memory runs out" if code == -signal.SIGKILL else "")
        return "its pipe" if code is None else f"exit code {code}"

    def kill(self) -> None:
        self._process.kill()  # before its pipe closes, of which it would have something to say
        self._process.join(ENDS_WITHIN_S)
        self.pipe.close()


def _begin(serve: Callable[..., None], pipe: Connection, *args: Any) -> None:
    seldom_collect()
    _leave_with_parent()
    with contextlib.suppress(EOFError, BrokenPipeError, ConnectionResetError):  # the build has what it wanted
        serve(pipe, *args)


def _leave_with_parent() -> None:
    """When the build is killed, its processes must not go on without it."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def wait() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()


@contextlib.contextmanager
def _interrupts_held() -> Iterator[None]:
    """Ctrl-C waits while a process is started, which inherits that it never hears of it.

    Any thread may be given the signal, so holding it back in this one keeps it from the new process only. Python's
    own tracker of resources begins with the first process and lets signals through again: it goes first.
    """
    resource_tracker.ensure_running()
    came: list[int] = []
    ours = threading.current_thread() is threading.main_thread()  # no other is ever interrupted
    handler = signal.signal(signal.SIGINT, lambda number, _: came.append(number)) if ours else None
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        if ours:
            signal.signal(signal.SIGINT, handler or signal.SIG_DFL)
    if came:
        signal.raise_signal(signal.SIGINT)
