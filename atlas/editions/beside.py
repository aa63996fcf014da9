"""Work done beside the rest of a build, on another core, where there is enough of it to be worth a process."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from typing import ParamSpec, TypeVar

from atlas.processes import Process

P = ParamSpec("P")
T = TypeVar("T")


class Beside:
    """One more process, started early, or none: then everything is done here and now."""

    def __init__(self, process: Process | None) -> None:
        self._process = process

    def do(self, work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> Callable[[], T]:
        """Begin `work`; what is returned waits for its answer and raises what it raised.

        Work and arguments must be picklable; answers are asked for in the order the work was begun. A process that
        was lost costs time, not the answer.
        """
        process = self._process
        if process is None:
            answer = work(*args, **kwargs)
            return lambda: answer
        try:
            process.pipe.send((work, args, kwargs))
        except OSError:
            return lambda: work(*args, **kwargs)

        def wait() -> T:
            try:
                raised, answer = process.pipe.recv()
            except (EOFError, OSError):
                return work(*args, **kwargs)
            if raised is not None:
                raise raised
            found: T = answer
            return found

        return wait


def serve(pipe: Connection, warm: Callable[[], None]) -> None:
    """What the process runs: load what it will need, then answer piece by piece."""
    warm()
    while True:
        work, args, kwargs = pipe.recv()
        try:
            pipe.send((None, work(*args, **kwargs)))
        except Exception as e:
            pipe.send((e, None))


@contextmanager
def beside(worth_it: bool, warm: Callable[[], None]) -> Iterator[Beside]:
    """A process that begins with `warm`, which loads what it will need, if that is worth it and a core is free."""
    if not worth_it or (os.cpu_count() or 1) < 2:
        yield Beside(None)
        return
    process = Process(serve, warm)
    try:
        yield Beside(process)
    finally:
        process.kill()
