"""Walking over a sheet with a set position: what browser tests of the following position share."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import watched_farm as farm
from browsing import DEMO_NOW, Visit, visiting
from playwright.sync_api import Browser, Page
from sheets import open_sheet, surveys, until

from atlas import engine
from atlas.editions.sharing import share
from atlas.survey import FieldSurvey

NEAR_M = 15.0  # the farm's own
WET = farm.at(*farm.WET_XY)
EVEN = farm.at(10.0, 30.0)  # gentle ground far from anything

ALLOWED: dict[str, Any] = {"permissions": ["geolocation"], "has_touch": True}

# Counts what a driver hears and feels, and leaves both as they are.
LISTEN = """(() => {
  window.heard = { tones: 0, shakes: [] };
  const start = OscillatorNode.prototype.start, vibrate = Navigator.prototype.vibrate;
  OscillatorNode.prototype.start = function (at) { heard.tones += 1; return start.call(this, at); };
  Navigator.prototype.vibrate = function (beat) { heard.shakes.push(beat); return vibrate.call(this, beat); };
})()"""


@dataclass(frozen=True)
class Walked:
    sheet: Path  # alone in its folder
    in_folder: Path
    survey: FieldSurvey


@pytest.fixture(scope="session")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Walked:
    folder = tmp_path_factory.mktemp("walked")
    file = farm.write(folder / "farm.gpkg")
    engine.build(file, folder / "build", settings=farm.settings(), now=DEMO_NOW, jobs=1)
    made = share(folder / "build", folder / "stick")
    alone = tmp_path_factory.mktemp("alone") / made.sheets[0]
    shutil.copy(made.to / made.sheets[0], alone)
    survey = surveys(file, farm.settings(), {farm.SLUG})[farm.SLUG]
    return Walked(alone, folder / "build" / "fields" / f"{farm.SLUG}.html", survey)


@pytest.fixture
def walker(browser: Browser) -> Iterator[Visit]:
    with visiting(browser, 820, 1180, **ALLOWED) as opened:
        opened.page.add_init_script(LISTEN)
        yield opened
        opened.check_quiet()


@pytest.fixture
def walking_page(walker: Visit, walked: Walked) -> Page:
    return open_sheet(walker, walked.sheet)


def place(page: Page, x: float, y: float, accuracy: float = 3.0) -> None:
    """Put the device at a place of the terrain's grid."""
    at = page.evaluate("([x, y]) => fieldAtlas.lonLat(x, y)", [x, y])
    page.context.set_geolocation({"longitude": at["lon"], "latitude": at["lat"], "accuracy": accuracy})


def go(page: Page, x: float, y: float, accuracy: float = 3.0) -> str:
    """The same while the sheet follows; the state once it knows."""
    place(page, x, y, accuracy)
    until(
        page,
        f"(() => {{ const f = fieldAtlas.watchNow().fix;"
        f" return f !== null && Math.hypot(f.x - {x!r}, f.y - {y!r}) < 0.01 && f.accuracy === {accuracy!r}; }})()",
    )
    return state(page)


def walk(
    page: Page, start: tuple[float, float], end: tuple[float, float], steps: int, accuracy: float = 3.0
) -> list[str]:
    """The states along a straight line, both ends included."""
    found = []
    for k in range(steps + 1):
        x, y = (a + (b - a) * k / steps for a, b in zip(start, end, strict=True))
        found.append(go(page, x, y, accuracy))
    return found


def state(page: Page) -> str:
    return str(page.locator("html").get_attribute("data-watch"))


def begin(page: Page) -> None:
    """Press the button; the device already stands somewhere."""
    page.locator("button[data-do=watch]").click()
    until(page, "fieldAtlas.watchNow().fix !== null")


def heard(page: Page) -> tuple[int, int]:
    """How often the device has sounded (tones) and shaken so far."""
    found = page.evaluate("[heard.tones, heard.shakes.length]")
    return found[0], found[1]


def bar(page: Page) -> str:
    return page.locator("#watch-bar").inner_text()
