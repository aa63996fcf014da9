"""Work done beside the rest of a build, on another core, where there is enough of it to be worth a process."""

from __future__ import annotations

import gc
import multiprocessing
import os
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


def seldom_collect() -> None:
    """Look for unreachable objects less often: a build makes millions that last, and few that hold each other."""
    gc.set_threshold(100_000, 50, 50)


def leave_with_parent() -> None:
    """Called first in a worker: when the build is killed, its workers must not go on writing without it."""
    seldom_collect()
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def wait() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()


class Beside:
    """One more process, started early, or none: then everything is done here and now."""

    def __init__(self, pool: ProcessPoolExecutor | None) -> None:
        self._pool = pool

    def do(self, work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> Callable[[], T]:
        """Begin `work`; what is returned waits for its answer and raises what it raised.

        Work and arguments must be picklable. A process that was lost costs time, not the answer.
        """
        if self._pool is None:
            answer = work(*args, **kwargs)
            return lambda: answer
        try:
            coming = self._pool.submit(work, *args, **kwargs)
        except BrokenProcessPool:
            answer = work(*args, **kwargs)
            return lambda: answer

        def wait() -> T:
            try:
                return coming.result()
            except BrokenProcessPool:
                return work(*args, **kwargs)

        return wait


@contextmanager
def beside(worth_it: bool, warm: Callable[[], None]) -> Iterator[Beside]:
    """A process that begins with `warm`, which loads what it will need, if that is worth it and a core is free."""
    if not worth_it or (os.cpu_count() or 1) < 2:
        yield Beside(None)
        return
    pool = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"), initializer=leave_with_parent)
    try:
        pool.submit(warm)
        yield Beside(pool)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
