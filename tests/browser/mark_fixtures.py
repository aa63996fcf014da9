"""What the tests of marking share: a small farm, its atlas and one-file sheets, and such a sheet on a tablet."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import quick_farm
import small_farm
from playwright.sync_api import Browser, Page
from tablets import tablet

from atlas import engine
from atlas.editions.sharing import share

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
LATER = MAY_3 + timedelta(hours=2)
SETTINGS = quick_farm.settings()


@pytest.fixture(scope="session")
def mark_farm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with farm.gpkg, build/ and hand/: one-file sheets of its first map. To read only."""
    folder = tmp_path_factory.mktemp("marks")
    small_farm.write(folder / "farm.gpkg")
    engine.build(folder / "farm.gpkg", folder / "build", settings=SETTINGS, now=MAY_3, jobs=1)
    share(folder / "build", folder / "hand")
    return folder


@pytest.fixture(scope="session")
def mark_sheet(mark_farm: Path) -> Path:
    return mark_farm / "hand" / "lower-meadow-map-1.html"


@pytest.fixture
def home(mark_farm: Path, tmp_path: Path) -> Path:
    """A copy of the farm file that marks may be taken into."""
    return Path(shutil.copy(mark_farm / "farm.gpkg", tmp_path / "farm.gpkg"))


@pytest.fixture
def marking(browser: Browser, mark_sheet: Path, tmp_path: Path) -> Iterator[Page]:
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3) as opened:
        yield opened
