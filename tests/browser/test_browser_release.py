"""A release by the device's clock: it counts down, runs out, and a clock that cannot be right is not believed."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from browsing import DEMO_NOW, Visit, visiting
from playwright.sync_api import Browser, Page

BOX, FIRST = "[data-release]", "[data-release] .release-first"
SHEET: dict[str, Any] = {"timezone_id": "UTC", "locale": "en-GB"}


@dataclass(frozen=True)
class Released:
    """A field of the demo that is released on better ground than wet."""

    page: Path
    ground: str
    until: datetime


@pytest.fixture(scope="module")
def released(demo_atlas: Path) -> Released:
    fields = json.loads((demo_atlas / "data" / "atlas.json").read_bytes())["fields"]
    field = next(f for f in fields if f["released"] and f["released"]["ground"] != "wet")
    said = field["released"]
    return Released(demo_atlas / field["page"], said["ground"], datetime.fromisoformat(said["until"]))


def open_at(visit: Visit, path: Path, moment: datetime) -> Page:
    visit.page.clock.install(time=moment)
    page = visit.open(path)
    page.wait_for_function("document.documentElement.classList.contains('ready')")
    return page


def state(page: Page) -> dict[str, Any]:
    found: dict[str, Any] = page.evaluate("({...fieldAtlas.state})")
    return found


def offered(page: Page) -> list[str]:
    found: list[str] = page.locator("select[data-pick=ground] option").evaluate_all("all => all.map(o => o.value)")
    return found


def painted(page: Page, picture: str) -> dict[str, str]:
    found: dict[str, str] = page.evaluate(
        f"""() => Object.fromEntries([...{picture}.querySelectorAll("[data-zone]")]
          .map(p => [p.dataset.zone, p.getAttribute("d")]))"""
    )
    return found


STANDING, MOVING = 'document.getElementById("zone-map")', "fieldAtlas.picture"


def wet_paths(page: Page) -> dict[str, str]:
    """What the sheet paints for wet ground when it is asked to."""
    page.evaluate("() => { const s = fieldAtlas.data.shown; fieldAtlas.choose(s.machine, 'wet', s.driver); }")
    return painted(page, MOVING)


@pytest.mark.parametrize(
    ("left", "said"),
    [
        (timedelta(days=1, hours=3, minutes=5, seconds=30), "1 d 3 h left"),
        (timedelta(hours=3, minutes=20, seconds=30), "3 h 20 min left"),
        (timedelta(minutes=19, seconds=59), "19 min left"),
        (timedelta(seconds=45), "less than a minute left"),
    ],
)
def test_while_it_runs_the_sheet_counts_down(
    browser: Browser, released: Released, left: timedelta, said: str
) -> None:
    moment = released.until - left
    if moment < DEMO_NOW:
        moment, said = DEMO_NOW, said_left(released.until - DEMO_NOW)
    with visiting(browser, **SHEET) as visit:
        page = open_at(visit, released.page, moment)
        assert page.locator(FIRST).inner_text() == said
        assert f"{released.until:%H:%M} by this device's clock" in page.locator(BOX).inner_text()
        assert "not-released" not in (page.locator(BOX).get_attribute("class") or "")
        assert state(page)["counts"] == released.ground
        assert offered(page)[0] == released.ground
        visit.check_quiet()


def said_left(left: timedelta) -> str:
    minutes = int(left.total_seconds() // 60)
    days, hours, minutes = minutes // 1440, minutes // 60 % 24, minutes % 60
    return f"{days} d {hours} h left" if days else f"{hours} h {minutes} min left"


def test_the_line_is_large(browser: Browser, released: Released) -> None:
    with visiting(browser, **SHEET) as visit:
        page = open_at(visit, released.page, DEMO_NOW)
        size = "e => parseFloat(getComputedStyle(e).fontSize)"
        line, body = (page.locator(where).evaluate(size) for where in (FIRST, "body"))
        assert line >= 1.4 * body


def test_it_runs_out_while_the_page_is_open(browser: Browser, released: Released) -> None:
    with visiting(browser, **SHEET) as visit:
        page = open_at(visit, released.page, released.until - timedelta(seconds=90))
        before = painted(page, MOVING)
        assert before == painted(page, STANDING)
        page.clock.run_for(85_000)
        assert "left" in page.locator(FIRST).inner_text()
        page.clock.run_for(6_000)
        assert page.locator(FIRST).inner_text() == "Not released"
        assert "The field counts as wet" in page.locator(BOX).inner_text()
        assert "not-released" in (page.locator(BOX).get_attribute("class") or "")
        assert (state(page)["counts"], state(page)["ground"]) == ("wet", "wet")
        assert offered(page)[0] == "wet"
        assert released.ground not in offered(page)
        moving, standing = painted(page, MOVING), painted(page, STANDING)
        assert moving == standing == wet_paths(page)
        assert moving != before
        assert page.locator("[data-standing-ground]").text_content() == "wet"
        visit.check_quiet()


def test_paper_printed_after_its_end_says_so(browser: Browser, released: Released) -> None:
    with visiting(browser, **SHEET) as visit:
        page = open_at(visit, released.page, released.until - timedelta(seconds=10))
        page.emulate_media(media="print")
        assert page.locator(BOX).inner_text().startswith("Released by")
        assert "left" not in page.locator(BOX).inner_text()
        page.clock.run_for(11_000)
        assert page.locator(BOX).inner_text().startswith("Not released")
        assert "Released by" not in page.locator(BOX).inner_text()


@pytest.mark.parametrize("past", [timedelta(0), timedelta(seconds=1), timedelta(days=40)])
def test_at_and_past_its_end_the_sheet_opens_unreleased(
    browser: Browser, released: Released, past: timedelta
) -> None:
    with visiting(browser, **SHEET) as visit:
        page = open_at(visit, released.page, released.until + past)
        assert page.locator(FIRST).inner_text() == "Not released"
        assert state(page)["counts"] == "wet"
        assert released.ground not in offered(page)
        assert painted(page, MOVING) == wet_paths(page)
        visit.check_quiet()


def test_a_clock_set_back_does_not_bring_it_back(browser: Browser, released: Released) -> None:
    with visiting(browser, **SHEET) as visit:
        page = open_at(visit, released.page, released.until + timedelta(minutes=1))
        page.clock.set_system_time(released.until - timedelta(hours=2))
        page.clock.run_for(60_000)
        assert page.locator(FIRST).inner_text() == "Not released"
        assert state(page)["counts"] == "wet"


def test_a_clock_behind_the_map_is_not_believed_until_it_is_set(browser: Browser, released: Released) -> None:
    with visiting(browser, **SHEET) as visit:
        page = open_at(visit, released.page, DEMO_NOW - timedelta(hours=1))
        assert page.locator(FIRST).inner_text() == "Not released"
        assert "Set the clock." in page.locator(BOX).inner_text()
        assert state(page)["counts"] == "wet"
        assert painted(page, STANDING) == wet_paths(page)
        page.clock.set_system_time(DEMO_NOW + timedelta(minutes=1))
        page.clock.run_for(30_000)
        assert "left" in page.locator(FIRST).inner_text()
        assert state(page)["counts"] == released.ground
        visit.check_quiet()


def test_a_minute_between_two_honest_clocks_does_not_matter(browser: Browser, released: Released) -> None:
    with visiting(browser, **SHEET) as visit:
        page = open_at(visit, released.page, DEMO_NOW - timedelta(minutes=2))
        assert "left" in page.locator(FIRST).inner_text()


def test_a_worse_ground_that_was_chosen_stays(browser: Browser, released: Released) -> None:
    """When the release ends, the sheet must not go from the chosen ground to a better one."""
    with visiting(browser, **SHEET) as visit:
        page = open_at(visit, released.page, released.until - timedelta(seconds=30))
        # The demo's wet ground has none worse; here cut hay is made one.
        page.evaluate(
            """() => { const d = fieldAtlas.data, s = d.shown;
              Object.values(d.may_choose).forEach(list => list.push("hay_down"));
              fieldAtlas.choose(s.machine, "hay_down", s.driver); }"""
        )
        page.clock.run_for(31_000)
        assert (state(page)["counts"], state(page)["ground"]) == ("wet", "hay_down")
        assert page.locator("select[data-pick=ground]").input_value() == "hay_down"


def test_where_the_map_fails_the_words_still_run_out(browser: Browser, released: Released) -> None:
    with visiting(browser, **SHEET) as visit:
        visit.page.route("**/leaflet.js", lambda route: route.abort())
        visit.page.clock.install(time=released.until + timedelta(minutes=1))
        page = visit.open(released.page)
        assert page.locator(FIRST).inner_text() == "Not released"
        assert not page.evaluate("document.documentElement.classList.contains('ready')")
        assert page.locator("[data-standing-ground]").inner_text() == "wet"


def test_without_scripts_the_end_is_in_words(browser: Browser, released: Released) -> None:
    with visiting(browser, java_script_enabled=False) as visit:
        page = visit.open(released.page)
        assert f"until {released.until.day} June {released.until.year}" in page.locator(BOX).inner_text()


def test_an_unreleased_field_says_so_whatever_the_clock(browser: Browser, demo_atlas: Path) -> None:
    fields = json.loads((demo_atlas / "data" / "atlas.json").read_bytes())["fields"]
    path = demo_atlas / next(f["page"] for f in fields if not f["released"])
    for moment in (DEMO_NOW - timedelta(days=300), DEMO_NOW, DEMO_NOW + timedelta(days=300)):
        with visiting(browser, **SHEET) as visit:
            page = open_at(visit, path, moment)
            assert page.locator(BOX).inner_text().startswith("Not released")
            assert state(page)["counts"] == "wet"


@pytest.mark.parametrize(
    ("current", "words"),
    [
        (1, ""),
        (7, "(this sheet last changed then; the atlas is now at map 7, 14 June 2026)"),
        (0, "(the atlas beside this sheet is older, map 0, 14 June 2026: copy the whole folder anew)"),
    ],
)
def test_another_map_number_beside_the_sheet(
    browser: Browser, released: Released, tmp_path: Path, current: int, words: str
) -> None:
    page_file = copied(released.page, tmp_path)
    facts = {"number": current, "issued_at": "2026-06-14T05:00:00Z"}
    (tmp_path / "assets" / "edition.js").write_text(f"window.FIELD_ATLAS_EDITION = {json.dumps(facts)};\n")
    with visiting(browser, **SHEET) as visit:
        page = visit.open(page_file)
        assert page.locator(".edition").inner_text().strip() == f"Map 1, 12 June 2026 {words}".strip()
        visit.check_quiet()


def copied(page: Path, folder: Path) -> Path:
    """One sheet and the assets beside it, to be changed."""
    atlas = page.parents[1]
    shutil.copytree(atlas / "assets", folder / "assets")
    (folder / "fields").mkdir()
    for name in (page.name, page.with_suffix(".js").name):
        shutil.copy(atlas / "fields" / name, folder / "fields" / name)
    return folder / "fields" / page.name


def test_the_overview_lists_what_is_released_by_the_clock(browser: Browser, demo_atlas: Path) -> None:
    fields = json.loads((demo_atlas / "data" / "atlas.json").read_bytes())["fields"]
    ends = sorted({datetime.fromisoformat(f["released"]["until"]) for f in fields if f["released"]})
    moments = [DEMO_NOW, *ends, DEMO_NOW - timedelta(hours=2)]
    for moment in moments:
        running = [
            f["name"]
            for f in fields
            if f["released"] and moment < datetime.fromisoformat(f["released"]["until"]) and moment >= DEMO_NOW
        ]
        with visiting(browser, **SHEET) as visit:
            visit.page.clock.install(time=moment)
            page = visit.open(demo_atlas / "index.html")
            listed = page.locator(".ov-released li:not(.is-over)").all_inner_texts()
            assert len(listed) == len(running)
            assert all(any(name in line for line in listed) for name in running)
            assert page.locator(".ov-none").is_visible() == (not running)
            assert page.locator(".ov-behind").is_visible() == (moment < DEMO_NOW)
            assert page.locator("a.ov-field.is-released").count() >= (1 if running else 0)
            if not running:
                assert page.locator("a.ov-field.is-released").count() == 0
            visit.check_quiet()
