"""What every test may use: the small farm as a file, and its atlas built once."""

from __future__ import annotations

import os
import signal
from datetime import UTC, datetime
from pathlib import Path

import pytest
import small_farm
from hypothesis import settings

pytest_plugins = ["browser_fixtures", "walking", "mark_fixtures"]

# The same examples on every CI run, so that a change is judged by what it changes; fresh ones on a desk.
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)


def pytest_configure() -> None:
    """Ctrl-C is heard, also where the tests run in a shell's background, which has it ignored."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def small_farm_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small farm, to read only; copy it before changing it."""
    return small_farm.write(tmp_path_factory.mktemp("small") / "farm.gpkg")


@pytest.fixture(scope="session")
def small_atlas(small_farm_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small farm's atlas as issued on 3 May 2026, to read only."""
    from atlas import engine

    out = tmp_path_factory.mktemp("atlas") / "build"
    engine.build(small_farm_file, out, now=MAY_3, jobs=1)
    return out
