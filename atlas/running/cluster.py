"""Surveys on a Dask cluster that is there already: its workers read the farm file and send back what they made.

A worker that is lost costs its batch, which the scheduler gives to another. A batch that lost its worker too
often is taken apart, and its fields tried one by one with nothing else running, so that only the one that kills is
blamed. When all workers stay away, the rest is surveyed on this computer.
"""

from __future__ import annotations

import pickle
import queue
import time
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import CancelledError
from dataclasses import astuple, replace
from typing import TYPE_CHECKING, Any

from atlas.errors import AtlasError, RunningError
from atlas.farm.farm import Farm
from atlas.running import cores
from atlas.running.cluster_check import check_alike, connected
from atlas.running.cluster_worker import batch, unpack
from atlas.running.records import Job, Outcome, Task

if TYPE_CHECKING:
    from distributed import Client, Future

MOST_IN_BATCH = 8  # fields: what comes back of one batch lies in memory together
IN_FLIGHT = 2  # batches per worker: the one it is at, and the next
LOOK_S = 2.0  # how often it is looked whether anybody is left
FETCH_S = 30.0  # for a batch that is done to come over
PATIENCE_S = 60.0  # without any worker, after which the rest is surveyed here

Say = Callable[[str], None]


def outcomes(
    address: str, task: Task, farm: Farm, jobs: Sequence[Job], count: int, say: Say
) -> Generator[Outcome, None, None]:
    """Survey on the cluster at `address`; outcomes as they come. What is left when its workers are gone for
    good is surveyed in `count` processes here, and `say` is told so.

    Raises RunningError where there is no cluster, or it is not as we are.
    """
    task = replace(task, farm_path=task.farm_path.absolute())
    left: list[Job] = []
    with connected(address) as client:
        expected = check_alike(client, str(task.farm_path))
        flight = _Flight(client, address, (pickle.dumps(task), expected), jobs)
        try:
            yield from flight.outcomes(task, farm)
        except _GoneError:
            left = flight.left()
        finally:
            flight.end()
    if left:
        say(f"{address}: no worker was left; {len(left)} fields were surveyed on this computer instead.")
        yield from cores.outcomes(task, farm, left, count)


class _GoneError(Exception):
    """Nobody is left who would do the work."""


class _Flight:
    """Batches that wait, those under way, and fields that may have cost workers."""

    def __init__(
        self, client: Client, address: str, sent: tuple[bytes, dict[str, str]], jobs: Sequence[Job]
    ) -> None:
        self._client, self._address, self._sent = client, address, sent
        self._workers = self._count_workers()
        size = max(1, min(MOST_IN_BATCH, len(jobs) // (4 * max(1, self._workers))))
        self._waiting = deque(list(jobs[i : i + size]) for i in range(0, len(jobs), size))
        self._suspects: deque[list[Job]] = deque()
        self._flying: dict[Future[bytes], list[Job]] = {}
        self._done: queue.SimpleQueue[Future[bytes]] = queue.SimpleQueue()
        self._seen = self._looked = time.monotonic()  # when a worker was last there, and when that was asked

    def outcomes(self, task: Task, farm: Farm) -> Iterator[Outcome]:
        """Raises _GoneError when nobody was there for too long."""
        while self._waiting or self._flying:
            while self._waiting and len(self._flying) < IN_FLIGHT * max(1, self._workers):
                self._send(self._waiting.popleft())
            found = self._next()
            if found is not None:
                yield from found
        while self._suspects:
            self._send(self._suspects.popleft())
            while self._flying:
                found = self._next(task, farm)
                if found is not None:
                    yield from found

    def left(self) -> list[Job]:
        """Every field that nothing has come of yet."""
        batches = [*self._flying.values(), *self._waiting, *self._suspects]
        return sorted((job for jobs in batches for job in jobs), key=lambda job: job.place)

    def end(self) -> None:
        for future in self._flying:
            future.cancel()

    def _send(self, jobs: list[Job]) -> None:
        if self._client.status != "running":  # what was under way there is forgotten, even if it comes back
            self._waiting.appendleft(jobs)
            raise _GoneError
        future = self._client.submit(batch, *self._sent, [astuple(job) for job in jobs], pure=False)
        self._flying[future] = jobs
        future.add_done_callback(self._done.put)

    def _next(self, task: Task | None = None, farm: Farm | None = None) -> list[Outcome] | None:
        """What came of the batch that is done next, or None while there is none to hear of.

        With `task` and `farm` a batch is one field tried by itself, and told as failed if it loses its workers.
        """
        if time.monotonic() - self._looked > LOOK_S:
            self._look()
        try:
            future = self._done.get(timeout=LOOK_S)
        except queue.Empty:
            return None
        try:
            found = unpack(future.result(timeout=FETCH_S))
        except Exception as e:
            if isinstance(e, TimeoutError) and future.status != "error":
                self._done.put(future)  # whoever held it is gone: it is being made again
                return None
            found = self._failed(self._flying[future], e, task, farm)
        del self._flying[future]
        return found

    def _failed(self, jobs: list[Job], error: Exception, task: Task | None, farm: Farm | None) -> list[Outcome]:
        from distributed import KilledWorker

        if isinstance(error, KilledWorker):
            if task is None or farm is None:
                self._suspects.extend([job] for job in jobs)
                return []
            return [Outcome(job, {}, cores.lost_failure(task, farm, job, "on the cluster")) for job in jobs]
        if isinstance(error, AtlasError):
            raise error
        if isinstance(error, CancelledError):  # the scheduler is gone
            raise _GoneError from error
        what = f"{type(error).__name__}: {error}"
        raise RunningError(f"{self._address}: a worker cannot do its part ({what}).") from error

    def _look(self) -> None:
        """Count who is there. Raises _GoneError when that was nobody for too long."""
        self._workers = self._count_workers()
        self._looked = now = time.monotonic()
        if self._workers:
            self._seen = now
        elif now - self._seen > PATIENCE_S:
            raise _GoneError

    def _count_workers(self) -> int:
        if self._client.status != "running":
            return 0
        try:
            told: dict[str, Any] = self._client.nthreads()
        except (OSError, TimeoutError):
            return 0
        return len(told)
