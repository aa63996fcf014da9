"""The overview as a worker uses it: finding a field, moving the map, releases that run out while it is open."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from browsing import DEMO_NOW, Visit, visiting
from playwright.sync_api import Browser, Page
from sheets import until

from atlas.pages.overview import findable


@pytest.fixture(scope="module")
def fields(demo_atlas: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads((demo_atlas / "data" / "atlas.json").read_bytes())["fields"]
    return found


@pytest.fixture
def visit(browser: Browser) -> Iterator[Visit]:
    with visiting(browser, 800, 1000) as opened:
        yield opened
        opened.check_quiet()


def overview(visit: Visit, atlas: Path, at: datetime = DEMO_NOW) -> Page:
    visit.page.clock.install(time=at)
    return visit.open(atlas / "index.html")


def shown_rows(page: Page) -> list[str]:
    return page.locator("tr[data-find]:visible th a").all_inner_texts()


@pytest.mark.parametrize("typed", ["obra schrof", "SCHRÓF", "schrof obra"])
def test_finds_a_field_without_case_accents_or_order(visit: Visit, demo_atlas: Path, typed: str) -> None:
    page = overview(visit, demo_atlas)
    page.fill("#ov-find", typed)
    assert shown_rows(page) == ["Obra Schrof"]
    assert page.locator(".ov-hits a").all_inner_texts() == ["14 Obra Schrof"]
    assert page.locator(".ov-found").inner_text() == "1 of 16 fields"


def test_every_field_is_found_by_its_own_name(
    visit: Visit, demo_atlas: Path, fields: list[dict[str, Any]]
) -> None:
    page = overview(visit, demo_atlas)
    for field in fields:
        page.fill("#ov-find", field["name"])
        assert field["name"] in shown_rows(page)
    page.fill("#ov-find", "no such field")
    assert shown_rows(page) == []
    page.fill("#ov-find", "")
    assert len(shown_rows(page)) == len(fields) == 16


def test_enter_opens_the_one_field_that_is_left(visit: Visit, demo_atlas: Path) -> None:
    page = overview(visit, demo_atlas)
    page.fill("#ov-find", "grubarun")
    page.press("#ov-find", "Enter")
    page.wait_for_url("**/fields/*.html")
    assert page.locator("h1").inner_text() == "Grubarün"


def test_without_scripts_the_list_is_whole_and_no_box_promises_to_search(
    browser: Browser, demo_atlas: Path
) -> None:
    with visiting(browser, java_script_enabled=False) as visit:
        page = visit.open(demo_atlas / "index.html")
        assert page.locator("tr[data-find] th a:visible").count() == 16
        assert page.locator("#ov-find:visible").count() == 0
        assert page.locator(".ov-picture:visible").count() == 1


def test_links_lead_to_pages_that_exist(demo_atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        page = visit.open(demo_atlas / "index.html")
        links = page.evaluate("[...document.querySelectorAll('a[href]')].map(a => a.getAttribute('href'))")
    pages = {link for link in links if link.endswith(".html")}
    assert len(pages) >= 18
    assert [p for p in pages if not (demo_atlas / p).is_file()] == []


def test_what_is_released_now_is_what_the_data_says(
    visit: Visit, demo_atlas: Path, fields: list[dict[str, Any]]
) -> None:
    page = overview(visit, demo_atlas)
    wanted = {f["name"] for f in fields if f["released"]}
    listed = {text.split(" ", 1)[1] for text in page.locator(".ov-released li a").all_inner_texts()}
    assert listed == wanted
    assert 3 <= len(wanted) < 16
    assert page.locator(".ov-over:visible").count() == 0


def test_a_release_that_ends_while_the_page_is_open(
    visit: Visit, demo_atlas: Path, fields: list[dict[str, Any]]
) -> None:
    """Marked as over, its map and its share fall back to wet ground; never the other way."""
    until = min(datetime.fromisoformat(f["released"]["until"]) for f in fields if f["released"])
    page = overview(visit, demo_atlas, until - timedelta(seconds=30))
    ending = page.locator(f'tr:has([data-until="{until.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"])').first
    number = ending.get_attribute("data-field")
    ending = page.locator(f'tr[data-field="{number}"]')
    before = int(ending.locator(".ov-pct:visible").inner_text().split()[0])
    assert "until" in ending.locator(".ov-state").inner_text()
    page.clock.run_for(60_000)
    assert "ran out: not released" in ending.locator(".ov-state").inner_text()
    assert int(ending.locator(".ov-pct:visible").inner_text().split()[0]) >= before
    outline = page.locator(f'.leaflet-overlay-pane a[data-field="{number}"]')
    assert "is-released" not in (outline.get_attribute("class") or "")
    assert outline.locator("g.ov-now").evaluate("g => getComputedStyle(g).display") == "none"
    assert outline.locator("g.ov-over").evaluate("g => getComputedStyle(g).display") == "inline"


def test_long_after_nothing_is_released(visit: Visit, demo_atlas: Path) -> None:
    page = overview(visit, demo_atlas, DEMO_NOW + timedelta(days=30))
    assert page.locator(".ov-none:visible").count() == 1
    assert page.locator(".is-released").count() == 0


def test_a_tap_on_a_field_opens_its_sheet_and_a_drag_does_not(visit: Visit, demo_atlas: Path) -> None:
    page = overview(visit, demo_atlas)
    page.clock.resume()
    field = page.locator('.leaflet-overlay-pane a[data-field="14"] .ov-outline')
    field.scroll_into_view_if_needed()
    box = field.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 30, y + 5, steps=6)
    page.mouse.up()
    page.wait_for_timeout(150)
    assert page.url.endswith("index.html")
    page.mouse.click(x, y)
    page.wait_for_url("**/fields/*.html")
    assert page.locator("h1").inner_text() == "Obra Schrof"


def test_zooming_keeps_names_one_size(visit: Visit, demo_atlas: Path) -> None:
    page = overview(visit, demo_atlas)
    page.clock.resume()
    name = page.locator('.leaflet-overlay-pane text[data-field="14"] .ov-number')
    before = name.bounding_box()
    for _ in range(2):
        page.locator(".leaflet-control-zoom-in").click()
        page.wait_for_timeout(500)
        until(page, "document.querySelector('.leaflet-zoom-anim') === null")
    after = name.bounding_box()
    assert before is not None
    assert after is not None
    assert 8 <= before["height"] <= 30
    assert after["height"] == pytest.approx(before["height"], rel=0.1)


def test_the_movable_map_lies_over_the_same_ground_as_the_printed_one(visit: Visit, demo_atlas: Path) -> None:
    """A grid crossing of the picture stands where the map's own coordinates put it, within a pixel."""
    page = overview(visit, demo_atlas)
    page.clock.resume()
    off = page.evaluate(
        """() => {
          const svg = document.querySelector(".leaflet-overlay-pane .ov-picture");
          const tick = [...svg.querySelectorAll(".ov-ticks text[text-anchor]")][0];
          const east = Number(tick.textContent.replace(/\\D/g, ""));
          const at = new DOMPoint(Number(tick.getAttribute("x")), 0).matrixTransform(svg.getScreenCTM());
          const map = fieldAtlas.map, frame = map.getContainer().getBoundingClientRect();
          const north = map.getCenter().lat;
          return at.x - frame.left - map.getContainer().clientLeft - map.latLngToContainerPoint([north, east]).x;
        }"""
    )
    assert abs(off) < 1


def test_paper_of_the_overview_names_what_matters(visit: Visit, demo_atlas: Path) -> None:
    page = overview(visit, demo_atlas)
    page.emulate_media(media="print")
    text = page.locator("body").inner_text()
    for words in ("112", "Map 1, 12 June 2026", "Before you rely on this", "keep out", "The ambulance meets here"):
        assert words in text
    assert page.locator(".map:visible, #ov-find:visible, .leaflet-container:visible").count() == 0


@pytest.mark.parametrize("size", [(1024, 768), (800, 1280), (360, 740)])
def test_no_label_of_the_movable_map_stands_on_another(
    browser: Browser, demo_atlas: Path, size: tuple[int, int]
) -> None:
    with visiting(browser, *size) as opened:
        page = overview(opened, demo_atlas)
        boxes = page.locator(".leaflet-overlay-pane .ov-label").evaluate_all(
            "all => all.map(e => e.getBoundingClientRect()).filter(r => r.width)"
            ".map(r => [r.left, r.top, r.right, r.bottom])"
        )
        assert len(boxes) == 16  # each has its number at least
        named = page.locator(".leaflet-overlay-pane .ov-name:visible").count()
        assert named == 0 if size[0] < 400 else named >= 10
        for i, a in enumerate(boxes):
            for b in boxes[:i]:
                assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (a, b)


def test_a_name_without_end_does_not_widen_the_page(browser: Browser, demo_atlas: Path) -> None:
    for path, where in (
        ("index.html", "tr[data-find] th a"),
        ("day.html", ".dy-pick span"),
        ("fields/bitzla.html", "h1"),
    ):
        with visiting(browser, 360, 740) as opened:
            page = opened.open(demo_atlas / path)
            page.locator(where).last.evaluate("e => { e.textContent = 'N'.repeat(300); }")
            assert page.evaluate("document.documentElement.scrollWidth") == 360


@pytest.mark.parametrize("typed", ["Anzelrün", "anzelrun", "ANZELRUEN"])
def test_letters_that_a_keyboard_lacks_may_be_spelt_out(visit: Visit, demo_atlas: Path, typed: str) -> None:
    page = overview(visit, demo_atlas)
    page.fill("#ov-find", typed)
    assert shown_rows(page) == ["Anzelrün"]
    for text in ("Großer Ödhang Æ", "Łąka Øvre", "plain"):  # the list of farms folds its names in the browser
        assert page.evaluate("text => fieldAtlas.findable(text)", text) == findable(text)
