"""Compiles the kernels that a build uses, so that no two of the tests' processes compile the same one at once."""

from __future__ import annotations

import tempfile
from pathlib import Path

import small_farm

from atlas import engine

if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        farm = small_farm.write(Path(folder) / "farm.gpkg")
        engine.build(farm, Path(folder) / "build", jobs=1)
