"""A longer fuzz run by hand: `python tests/faults/fuzz_run.py --cases 20000 --seed 7`; prints finds and seeds."""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections import Counter, defaultdict

from fuzz_runner import Outcome, Runner, seeds


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cases", type=int, default=2_000)
    asked.add_argument("--seed", type=int, default=1_000_000, help="the first seed of each family")
    asked.add_argument("--kept", action="store_true", help="the kept seeds instead, those that CI runs")
    asked.add_argument("--family", help="only this one")
    asked.add_argument("--show", action="store_true", help="what each case came to")
    told = asked.parse_args()
    kept = [(f, n) for f, first, n in seeds() if told.family in (None, f) and first == 0]
    whole = sum(n for _, n in kept)
    cases = [(f, told.seed + i) for f, n in kept for i in range(max(1, round(told.cases * n / whole)))]
    if told.kept:
        cases = [(f, first + i) for f, first, n in seeds() if told.family in (None, f) for i in range(n)]
    begun, outcomes = time.perf_counter(), []
    with Runner() as runner:
        for outcome in runner.run(cases):
            outcomes.append(outcome)
            if outcome.found:
                print(f"FIND {outcome.family} {outcome.seed}: {outcome.found}\n", flush=True)
            elif told.show:
                print(f"{outcome.family} {outcome.seed} {outcome.seconds:.3f} s: {outcome.said}", flush=True)
    summary(outcomes, time.perf_counter() - begun)
    return 1 if any(o.found for o in outcomes) else 0


def summary(outcomes: list[Outcome], seconds: float) -> None:
    by_family = defaultdict(list)
    for outcome in outcomes:
        by_family[outcome.family].append(outcome)
    for family, some in by_family.items():
        came = Counter("find" if o.found else o.said.partition(":")[0] for o in some)
        mean, worst = statistics.mean(o.seconds for o in some), max(some, key=lambda o: o.seconds)
        print(
            f"{family:18} {len(some):5} cases  {mean * 1000:6.1f} ms each, longest {worst.seconds:.2f} s "
            f"(seed {worst.seed})  {dict(came)}"
        )
    peak = max(o.peak_mb for o in outcomes)
    print(f"{len(outcomes)} cases in {seconds:.0f} s, at most {peak:.0f} MB")


if __name__ == "__main__":
    sys.exit(main())
