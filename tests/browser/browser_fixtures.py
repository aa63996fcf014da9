"""One browser and one demo atlas for all browser tests of a run."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from browsing import DEMO_NOW, chromium_path
from playwright.sync_api import Browser, sync_playwright

from atlas import engine
from atlas.farm.demo import make_demo
from atlas.settings import parse

DEMO_SETTINGS = parse(
    {
        "farm": {
            "name": "Hof am Zwaibel",
            "lead_name": "Runa Telk",
            "lead_phone": "+43 000 555 0143",
            "emergency_number": "112",
        }
    }
)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as p:
        opened = p.chromium.launch(executable_path=chromium_path(), args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """Holds farm.gpkg and build/: the demo as issued on the morning of 12 June 2026, to read only.

    Built once per run: where several processes share the run, the first one builds and the others wait.
    """
    base = tmp_path_factory.getbasetemp()
    shared = base if worker_id == "master" else base.parent
    return _once(shared / "demo-atlas", _build_demo)


@pytest.fixture(scope="session")
def demo_atlas(demo_folder: Path) -> Path:
    return demo_folder / "build"


def _build_demo(folder: Path) -> None:
    make_demo(folder / "farm.gpkg")
    engine.build(folder / "farm.gpkg", folder / "build", settings=DEMO_SETTINGS, now=DEMO_NOW, jobs=1)


def _once(folder: Path, make: Callable[[Path], None], wait_s: float = 300.0) -> Path:
    """Fill `folder` in the one process that creates it. Raises TimeoutError where that one never ends."""
    done = folder.with_suffix(".done")
    try:
        folder.mkdir()
    except FileExistsError:
        until = time.monotonic() + wait_s
        while not done.exists():
            if time.monotonic() > until:
                raise TimeoutError(f"{folder} was never finished by the process that began it") from None
            time.sleep(0.2)
        return folder
    make(folder)
    done.touch()
    return folder
