"""Surveys on the machine's cores, in processes of our own.

Each process gets one field at a time and one to go on with, so it is known which field a lost process was at: that
one is tried once more, then told as failed. Nothing else is lost.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections import Counter, deque
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait

from atlas.errors import RunningError
from atlas.farm import datasets
from atlas.farm.farm import Farm
from atlas.processes import Process
from atlas.running.field import attempt_piece, named
from atlas.running.pieces import Piece, piece_of, without_rows
from atlas.running.records import Failure, Job, Outcome, Task

TRIES = 2  # of a field whose process is lost
AT_HAND = 2  # fields given to a process: the one it is at, and the next
LOST_AT_START = 4  # processes in a row that died before they could begin: then no more are started


def outcomes(task: Task, farm: Farm, jobs: Sequence[Job], count: int) -> Generator[Outcome, None, None]:
    """Survey in `count` processes; outcomes as they come. Raises RunningError where processes cannot begin.

    Close the iterator when leaving early: that ends the processes.
    """
    crew = _Crew(task, farm, jobs, count)
    try:
        yield from crew.outcomes()
    finally:
        crew.end()


def serve(pipe: Connection, task: Task) -> None:
    """What each process runs: say that it has begun, then answer field by field."""
    datasets.hold_for_fields()
    rest: Farm = pipe.recv()
    pipe.send(None)
    given: queue.SimpleQueue[Piece | None] = queue.SimpleQueue()
    threading.Thread(target=_take_in, args=(pipe, given), daemon=True).start()
    while (piece := given.get()) is not None:
        pipe.send(attempt_piece(task, rest, piece))


def _take_in(pipe: Connection, given: queue.SimpleQueue[Piece | None]) -> None:
    """Read at once what is sent: a large field must not wait in the pipe while a large answer waits there too."""
    with contextlib.suppress(EOFError, OSError):  # the build has what it wanted
        while True:
            given.put(pipe.recv())
    given.put(None)


@dataclass
class _Member:
    process: Process
    given: deque[Job] = field(default_factory=deque)
    began: bool = False


class _Crew:
    def __init__(self, task: Task, farm: Farm, jobs: Sequence[Job], count: int) -> None:
        self._task, self._farm, self._count = task, farm, count
        self._rest = without_rows(farm)
        self._waiting = deque(jobs)
        self._members: list[_Member] = []
        self._lost: Counter[int] = Counter()  # processes lost at a field, by its place
        self._never_began = 0

    def outcomes(self) -> Iterator[Outcome]:
        while self._waiting or any(m.given for m in self._members):
            self._hand_out()
            by_pipe = {m.process.pipe: m for m in self._members}
            for pipe in wait(list(by_pipe)):
                outcome = self._hear(by_pipe[pipe])  # type: ignore[index]  # only these pipes were waited for
                if outcome is not None:
                    yield outcome

    def end(self) -> None:
        for member in self._members:
            member.process.kill()
        self._members.clear()

    def _hand_out(self) -> None:
        while self._waiting and len(self._members) < self._count:
            self._members.append(_Member(Process(serve, self._task)))
            self._send(self._members[-1], self._rest)
            self._give(self._members[-1])
        for member in self._members:
            while self._waiting and len(member.given) < AT_HAND:
                self._give(member)

    def _give(self, member: _Member) -> None:
        member.given.append(self._waiting.popleft())
        self._send(member, piece_of(self._farm, member.given[-1], self._task.settings))

    def _send(self, member: _Member, what: Farm | Piece) -> None:
        with contextlib.suppress(OSError):  # it is gone, which its pipe tells next
            member.process.pipe.send(what)

    def _hear(self, member: _Member) -> Outcome | None:
        try:
            said = member.process.pipe.recv()
        except (EOFError, OSError):
            return self._without(member)
        self._never_began = 0
        if said is None:
            member.began = True
            return None
        member.given.popleft()
        outcome: Outcome = said
        return outcome

    def _without(self, member: _Member) -> Outcome | None:
        """A process was lost: the field it was at is tried once more at the end, the others at once."""
        how = member.process.ended()
        member.process.kill()
        self._members.remove(member)
        at = member.given.popleft() if member.began and member.given else None
        self._waiting.extendleft(reversed(member.given))
        if not member.began:
            self._never_began += 1
            if self._never_began >= LOST_AT_START:
                raise RunningError(
                    f"{self._task.farm_path}: {LOST_AT_START} processes ended one after the other before they "
                    f"could begin (the last by {how}); build with --jobs 1. The old atlas stays."
                )
        if at is None:
            return None
        self._lost[at.place] += 1
        if self._lost[at.place] < TRIES:
            self._waiting.append(at)
            return None
        return Outcome(at, {}, lost_failure(self._task, self._farm, at, f"(by {how})"))


def lost_failure(task: Task, farm: Farm, job: Job, how: str) -> Failure:
    """A field whose process died at it, each time it was tried."""
    who = named(task, farm.parcels[job.place])
    reason = (
        f"{who}: the process that surveyed it was lost each time {how}; look at this field's boundary and heights."
    )
    return Failure(reason, ours=True)
