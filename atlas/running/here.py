"""Surveys in the build's own process: for a farm, nothing else is worth its start-up."""

from __future__ import annotations

from collections.abc import Generator, Sequence

from atlas.farm.farm import Farm
from atlas.running.field import attempt
from atlas.running.records import Job, Outcome, Task


def outcomes(task: Task, farm: Farm, jobs: Sequence[Job]) -> Generator[Outcome, None, None]:
    """One field after the other, in order."""
    for job in jobs:
        yield attempt(task, farm, job)
