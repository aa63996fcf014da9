"""Broken farm files, settings and marks by the thousand: right output or one sentence, in set time and memory.

What is tried stands in `fuzz_seeds.txt`; a case is told by its family and seed, and
`python tests/faults/fuzz_run.py --family F --seed N --cases 1` repeats it. Each process keeps one worker.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))

from fuzz_cases import FAMILIES
from fuzz_runner import Runner, seeds

BATCH = 64
LEAST = 5_120


def batches() -> list[tuple[str, int, int]]:
    """Seeds in portions, so that two processes share them."""
    return [
        (family, start, min(BATCH, first + count - start))
        for family, first, count in seeds()
        for start in range(first, first + count, BATCH)
    ]


@pytest.fixture(scope="module")
def runner() -> Iterator[Runner]:
    with Runner() as made:
        yield made


@pytest.mark.parametrize(("family", "first", "count"), batches())
def test_a_broken_file_is_read_right_or_refused(runner: Runner, family: str, first: int, count: int) -> None:
    finds = [o for o in runner.run((family, first + i) for i in range(count)) if o.found]
    assert not finds, "\n\n".join(f"{o.family} {o.seed}: {o.found}" for o in finds)


def test_every_family_is_tried_often_enough() -> None:
    tried = seeds()
    assert {family for family, _, _ in tried} == set(FAMILIES)
    assert sum(count for _, _, count in tried) >= LEAST


def test_the_runner_notices_what_must_not_happen() -> None:
    """A hang, a crash, an error of ours, a burst of memory: each is told, and the next case runs."""
    with Runner() as made:
        assert made.hang_s <= 30
        made.hang_s = 1.0
        assert "hung for 1 s" in made.one("trap_hang", 0).found
        made.hang_s = 30.0
        assert "died (code -11)" in made.one("trap_die", 0).found
        assert "KeyError: 'nothing'" in made.one("trap_raise", 0).found
        assert "MemoryError" in made.one("trap_ask", 0).found
        assert made.one("trap_eat", 0).found.startswith("took ")
        assert not made.one("settings", 0).found
