"""Whether a survey's loops lie compiled on this computer: before a build, after one, after a change of ours."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[3]
ASKED = """
import os, sys
from pathlib import Path
import numpy as np
from atlas.running.prepared import prepared
from atlas.terrain.stance_kernel import bilinear_terms
said = [prepared()]
bilinear_terms(np.zeros((3, 3)))
said.append(prepared())
for index in Path(sys.argv[1]).rglob("*.nbi"):
    os.utime(index, (0, 0))
said.append(prepared())
print(said)
"""


def test_only_loops_no_older_than_their_source_count(tmp_path: Path) -> None:
    """In a process of its own, since where compiled loops are kept is settled when they are loaded."""
    env = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path), "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", ASKED, str(tmp_path)]
    ran = subprocess.run(command, env=env, capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[False, True, False]"
