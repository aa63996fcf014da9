"""The process that runs fuzz cases one after another, told by line on standard input; started by `fuzz_runner`.

Two bounds hold here: what a case may ask of memory (the system says no beyond it), and the largest size of the
whole process, looked up after each case. Time is the parent's to watch.
"""

from __future__ import annotations

import faulthandler
import json
import os
import resource
import shutil
import sys
import time
import traceback
from pathlib import Path
from typing import IO

MOST_MB = 1_000
TIRED_MB = 700  # what thousands of cases may leave behind; then a new process goes on


def memory(name: str) -> float:
    """A line of this process's own status, MB."""
    with Path("/proc/self/status").open() as status:
        return next((int(line.split()[1]) / 1024 for line in status if line.startswith(name)), 0.0)


def main(folder: Path) -> None:
    answers = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)
    faulthandler.enable()
    import fuzz_base
    import fuzz_cases

    bases = fuzz_base.make(folder)
    warm_up(folder)
    limit = int((memory("VmData") + MOST_MB) * 1024 * 1024)
    resource.setrlimit(resource.RLIMIT_DATA, (limit, resource.RLIM_INFINITY))
    say(answers, {"ready": memory("VmHWM")})
    for line in sys.stdin:
        family, seed = json.loads(line)
        begun = time.perf_counter()
        try:
            said = fuzz_cases.run(family, seed, bases, folder)
            found = ""
        except Exception as e:
            said, found = "", f"{type(e).__name__}: {e}\n{traceback.format_exc()[-1500:]}"
        peak = memory("VmHWM")
        if peak > MOST_MB:
            found = found or f"took {peak:.0f} MB"
        grown = peak > MOST_MB or memory("VmRSS") > TIRED_MB
        spent = time.perf_counter() - begun
        say(answers, {"said": said[:300], "found": found, "grown": grown, "peak": peak, "s": spent})


def warm_up(folder: Path) -> None:
    """Kernels compile on their first use, which is no case's fault."""
    import fuzz_base
    import fuzz_cases

    from atlas import engine

    farm, out = folder / "float.gpkg", folder / "warm"
    engine.build(farm, out, settings=fuzz_base.SETTINGS, now=fuzz_base.NOW, jobs=1)
    shutil.rmtree(out)
    fuzz_cases.by_command(["inspect", str(farm)])


def say(answers: IO[str], what: dict[str, object]) -> None:
    print(json.dumps(what), file=answers, flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
