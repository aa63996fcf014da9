"""Following the position: what it looks like, what it draws, and every lack of the device said in words.

The sheet is one handed on by itself: one file alone in an empty folder, opened from disk with the network off.
"""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import watched_farm as farm
from browsing import Visit, too_wide, violations, visiting
from made_sheet import made_context, made_survey
from PIL import Image
from playwright.sync_api import Browser, Page
from sheets import open_sheet, until, write_sheet
from walking import ALLOWED, EVEN, NEAR_M, WET, Walked, bar, begin, go, place, state, walk

from atlas import words
from atlas.driving.records import ZONE_KEYS
from atlas.pages.data_cells import page_cells


@pytest.fixture
def page(walking_page: Page) -> Page:
    return walking_page


@pytest.mark.parametrize(
    ("spoilt", "said"),
    [
        (
            "Object.defineProperty(Navigator.prototype, 'geolocation', { value: undefined })",
            "gives no position here",
        ),
        ("Object.defineProperty(window, 'isSecureContext', { value: false })", "opened like this"),
        ("", "was told not to give the position"),
    ],
)
def test_without_a_position_the_sheet_says_so_and_is_whole(
    walked: Walked, browser: Browser, spoilt: str, said: str
) -> None:
    with visiting(browser, permissions=[]) as visit:
        visit.page.add_init_script(spoilt)
        page = open_sheet(visit, walked.sheet)
        assert state(page) == "off"
        page.locator("button[data-do=watch]").click()
        until(page, f"document.getElementById('watch-bar').textContent.includes({said!r})")
        assert state(page) == "none"
        assert "No warnings now." in bar(page)
        page.locator("[data-do=watch-stop]").click()
        assert state(page) == "off"
        assert not page.locator("#watch-bar").is_visible()
        page.evaluate("() => { const c = fieldAtlas.data.cells; fieldAtlas.tell(c.west + 60, c.north - 50); }")
        assert page.locator("#told").is_visible()
        visit.check_quiet()


def test_what_the_browser_does_not_grant_is_named(walked: Walked, browser: Browser) -> None:
    with visiting(browser, **ALLOWED) as visit:
        visit.page.add_init_script(
            """delete window.AudioContext; delete window.webkitAudioContext;
            delete Navigator.prototype.vibrate; delete Navigator.prototype.wakeLock;"""
        )
        page = open_sheet(visit, walked.sheet)
        place(page, *WET)
        begin(page)
        assert state(page) == "inside"
        told = page.locator("[data-watch-lacks]").inner_text()
        assert told.startswith("No sound on this device. No vibration on this device. The screen may go dark")
        visit.check_quiet()


def test_the_screen_is_kept_awake_while_following(walker: Visit, walked: Walked) -> None:
    walker.page.add_init_script(
        """window.held = 0;
        navigator.wakeLock.request = kind => {
          held += 1;
          const lock = new EventTarget();
          lock.release = () => { held -= 1; lock.dispatchEvent(new Event("release")); return Promise.resolve(); };
          return Promise.resolve(lock);
        };"""
    )
    page = open_sheet(walker, walked.sheet)
    place(page, *EVEN)
    begin(page)
    until(page, "held === 1")
    assert not page.locator("[data-watch-lacks]").is_visible()
    page.locator("[data-do=watch-stop]").click()
    until(page, "held === 0")


def test_the_machine_on_the_map_is_to_scale_and_turned(page: Page) -> None:
    """Outline, ring and the way ahead, measured on the screen in the map's own metres."""
    place(page, *EVEN)
    begin(page)
    walk(page, (EVEN[0] + 3, EVEN[1]), (EVEN[0] + 9, EVEN[1]), 2, accuracy=4.0)
    boxes = page.evaluate(
        """() => {
          const x = east => fieldAtlas.map.latLngToContainerPoint([0, east]).x, per = (x(1000) - x(0)) / 1000;
          const of = name => document.querySelector("#map_field ." + name).getBoundingClientRect();
          return ["machine-ring", "machine-body", "machine-way"].map(n => [of(n).width / per, of(n).height / per]);
        }"""
    )
    ring, body, way = boxes
    assert ring == pytest.approx([8.0, 8.0], rel=0.02)
    assert body[1] == pytest.approx(2.3, rel=0.02)  # heading east: its width lies north and south
    assert body[0] == pytest.approx(2.2 + 2.3 / 4, rel=0.02)  # wheelbase and the nose
    assert way[0] == pytest.approx(NEAR_M + 4.0 - 1.1, rel=0.02)
    assert page.evaluate("fieldAtlas.watchNow().way") == pytest.approx(90, abs=0.5)
    assert page.locator("#zone-map .machine").count() == 0  # never on paper


@pytest.mark.parametrize("size", [(820, 1180), (390, 844), (844, 390)])
def test_every_state_fits_and_reads(page: Page, size: tuple[int, int]) -> None:
    """axe is content in each, nothing is too wide, what one presses is large, and no two bars look alike."""
    page.set_viewport_size({"width": size[0], "height": size[1]})
    place(page, *EVEN)
    begin(page)
    seen = {}
    page.locator("html").evaluate("e => e.style.scrollBehavior = 'auto'")
    for at, accuracy in ((EVEN, 0.5), (WET, 3.0), (farm.at(-120.0, 0.0), 3.0), (EVEN, 99.0)):
        now = go(page, *at, accuracy)
        seen[now] = grey_bands(page)
        assert violations(page) == []
        assert too_wide(page) == []
        box_of = page.locator("#watch-bar").bounding_box()
        assert box_of is not None
        assert box_of["width"] == size[0]
        assert box_of["height"] < 0.5 * size[1]
        button = page.locator("[data-do=watch-stop]").bounding_box()
        assert button is not None
        assert min(button["width"], button["height"]) >= 44
    walk(page, farm.at(-20.0, -15.0), farm.at(-26.0, -15.0), 3)
    seen[state(page)] = grey_bands(page)
    walk(page, (WET[0] + 26, WET[1]), (WET[0] + 20, WET[1]), 3)
    seen[state(page)] = grey_bands(page)
    assert set(seen) == {"following", "inside", "outside", "weak", "across", "near"}
    keys = sorted(seen)
    for i, one in enumerate(keys):
        for other in keys[i + 1 :]:
            assert np.abs(seen[one] - seen[other]).mean() > 20, (one, other)


def picture(page: Page) -> Image.Image:
    return Image.open(io.BytesIO(page.locator("#watch-bar").screenshot()))


def grey_bands(page: Page) -> np.ndarray:
    """The pattern across the bar's foot, in greys: 160 by 10 px."""
    shot = picture(page).convert("L")
    foot = shot.height - (15 if state(page) == "following" else 22)
    return np.asarray(shot.crop((40, foot, 200, foot + 10)), dtype=float)


def test_no_state_is_green_and_none_says_that_all_is_well(page: Page) -> None:
    place(page, *EVEN)
    begin(page)
    for at in (EVEN, WET, farm.at(-120.0, 0.0)):
        go(page, *at)
        shot = np.asarray(
            Image.open(io.BytesIO(page.locator("#watch-bar").screenshot())).convert("RGB"), dtype=int
        )
        assert np.abs(shot - shot.mean(axis=2, keepdims=True)).max() < 3
        assert not re.search(r"\b(safe|clear|ok|all right)\b", bar(page), re.I)
    go(page, *EVEN, 0.5)
    assert "Silence is no promise" in bar(page)


def test_the_sheet_in_the_folder_follows_too(walker: Visit, walked: Walked) -> None:
    page = open_sheet(walker, walked.in_folder)
    place(page, *EVEN)
    begin(page)
    assert go(page, *WET) == "inside"


def test_a_sheet_without_driving_zones_offers_none_of_it_and_says_so(browser: Browser, tmp_path: Path) -> None:
    ctx = made_context()
    survey = made_survey(ctx, east_m=90, north_m=70)
    why = "The terrain's cells are 5 m: too coarse."
    coarse = replace(survey, driving=replace(survey.driving, drives=(), tilts=(), why_none=why))
    with visiting(browser) as visit:
        page = open_sheet(visit, write_sheet(tmp_path, coarse, ctx))
        assert page.locator("button[data-do=watch], button[data-do=tilt]").count() == 0
        assert page.locator("html").evaluate("e => [e.dataset.watch, e.dataset.tilt]") == ["off", "off"]
        assert page.get_by_text("it has no driving zones to hold them against").is_visible()
        visit.check_quiet()


def test_zones_have_words_for_the_bar() -> None:
    assert set(ZONE_KEYS) <= set(words.ZONES)


def test_the_page_cells_are_the_terrains_own(walked: Walked) -> None:
    """What the comparison above rests on."""
    cells = page_cells(walked.survey.terrain)
    assert (cells.per_row, cells.per_col) == (1, 1)
