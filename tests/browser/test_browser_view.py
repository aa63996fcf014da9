"""The pictures from the ways in, on the page: they say when the choice is another, and follow a release."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from browsing import ink, visiting
from playwright.sync_api import Browser, Page

RUNNING, OVER = datetime(2026, 5, 3, 7, tzinfo=UTC), datetime(2026, 5, 10, 7, tzinfo=UTC)


@pytest.fixture(scope="module")
def sheet(small_atlas: Path) -> Path:
    """The only released field."""
    return next(p for p in (small_atlas / "fields").glob("*.html") if "Released by" in p.read_text())


def shown(page: Page, name: str) -> list[bool]:
    found: list[bool] = page.locator(f".views {name}").evaluate_all(
        "all => all.map(e => getComputedStyle(e).display !== 'none')"
    )
    return found


def test_a_release_that_ends_closes_more_ground_in_the_picture(browser: Browser, sheet: Path) -> None:
    for moment, now in ((RUNNING, True), (OVER, False)):
        with visiting(browser, timezone_id="UTC") as visit:
            visit.page.clock.install(time=moment)
            page = visit.open(sheet)
            assert set(shown(page, ".view-now")) == {now}
            assert set(shown(page, ".view-back")) == {not now}
            assert page.locator("[data-view-other]").is_hidden()
            visit.check_quiet()


def test_another_choice_than_the_pictures_show_is_said(browser: Browser, sheet: Path) -> None:
    with visiting(browser, timezone_id="UTC") as visit:
        visit.page.clock.install(time=RUNNING)
        page = visit.open(sheet)
        said, ground = page.locator("[data-view-other]"), page.locator("select[data-pick=ground]")
        before = ground.input_value()
        ground.select_option("wet")
        assert said.is_visible()
        ground.select_option(before)
        assert said.is_hidden()
        visit.check_quiet()


def test_without_scripts_and_on_a_narrow_screen_the_picture_is_there(browser: Browser, sheet: Path) -> None:
    with visiting(browser, width=390, height=844, java_script_enabled=False) as visit:
        page = visit.open(sheet)
        picture = page.locator(".view-picture").first
        found = ink(picture)
        assert found.dark > 0.02
        assert found.greys > 10
        box, around = picture.bounding_box(), page.locator(".view-wide").first.bounding_box()
        assert box is not None
        assert around is not None
        assert box["width"] > around["width"]  # one moves it sideways; the page itself stays as wide as the screen
        assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_fills_of_the_picture_are_not_the_moving_map_s(browser: Browser, sheet: Path) -> None:
    """The map turns its own fills with its zoom; the picture's stay."""
    with visiting(browser, timezone_id="UTC") as visit:
        page = visit.open(sheet)
        assert page.locator("pattern[id^=view-]").count() == 6
        assert page.locator("pattern[id^=moving-view]").count() == 0
        visit.check_quiet()
