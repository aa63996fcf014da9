"""Words on a sheet's movable map stand beside each other and its signs, and nothing one presses lies over them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from browsing import DEMO_NOW, pages_of, visiting
from playwright.sync_api import Browser, Page
from sheets import open_sheet

SCREENS = [(1024, 768), (768, 1024), (390, 844)]
ZOOMS = (0.0, 0.7, 2.0)  # beyond the whole field


def placed(page: Page, zoom: float) -> dict[str, Any]:
    """Boxes of all words and signs that show on the map, zoomed in from the whole field: what, left, top, right,
    bottom; and the map's own frame."""
    page.evaluate(
        "z => { fieldAtlas.fit(); fieldAtlas.map.setZoom(fieldAtlas.map.getZoom() + z, { animate: false }); }",
        zoom,
    )
    found: dict[str, Any] = page.evaluate(
        """() => {
          const box = e => { const b = e.getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom]; };
          const seen = kinds => [...fieldAtlas.picture.querySelectorAll(kinds)]
            .filter(e => e.getBoundingClientRect().width && getComputedStyle(e).visibility === "visible")
            .map(e => [e.classList[0] + " " + e.textContent, ...box(e)]);
          return { frame: box(fieldAtlas.picture.querySelector(".frame-edge")),
            words: seen(".way-name, .neighbour-name, .coordinate, .height"),
            signs: seen(".tag-box, .way-posts, .way-arrow") };
        }"""
    )
    return found


def meet(a: list[Any], b: list[Any]) -> bool:
    return bool(a[1] < b[3] and b[1] < a[3] and a[2] < b[4] and b[2] < a[4])


@pytest.mark.parametrize("screen", SCREENS)
def test_no_word_of_the_map_stands_on_another_or_on_a_sign(
    demo_atlas: Path, browser: Browser, screen: tuple[int, int]
) -> None:
    """Nor is one cut by the frame. On a phone's narrow map names of ways in and coordinates are left out."""
    bad, kinds = [], dict.fromkeys(("way-name", "neighbour-name", "coordinate", "height"), 0)
    with visiting(browser, *screen, has_touch=True) as visit:
        for path in (p for p in pages_of(demo_atlas) if p.parent.name == "fields"):
            page = open_sheet(visit, path, DEMO_NOW.isoformat())
            for zoom in ZOOMS:
                found = placed(page, zoom)
                left, top, right, bottom = found["frame"]
                for i, word in enumerate(found["words"]):
                    kinds[word[0].split(" ")[0]] += 1
                    others = found["words"][:i] + found["signs"]
                    bad += [(path.stem, zoom, word[0], other[0]) for other in others if meet(word, other)]
                    if word[1] < left or word[2] < top or word[3] > right or word[4] > bottom:
                        bad.append((path.stem, zoom, word[0], "frame"))
        visit.check_quiet()
    assert bad == []
    phone = screen[0] < 480
    assert (kinds["way-name"] == kinds["coordinate"] == 0) if phone else min(kinds.values()) >= 16 * len(ZOOMS)
    assert kinds["neighbour-name"] >= 16


def test_nor_on_paper(demo_atlas: Path, browser: Browser) -> None:
    bad, seen = [], 0
    with visiting(browser) as visit:
        for path in (p for p in pages_of(demo_atlas) if p.parent.name == "fields"):
            page = open_sheet(visit, path, DEMO_NOW.isoformat())
            page.emulate_media(media="print")
            words, signs = (
                page.locator(kinds).evaluate_all(
                    """all => all.map(e => [e.textContent, e.getBoundingClientRect()]).filter(([, b]) => b.width)
                      .map(([text, b]) => [text, b.left, b.top, b.right, b.bottom])"""
                )
                for kinds in (
                    "#zone-map .way-name, #zone-map .neighbour-name, #zone-map .coordinate",
                    "#zone-map .tag-box, #zone-map .way-posts",
                )
            )
            seen += len(words)
            for i, word in enumerate(words):
                bad += [(path.stem, word[0], other[0]) for other in words[:i] + signs if meet(word, other)]
        visit.check_quiet()
    assert bad == []
    assert seen >= 16 * 5


@pytest.mark.parametrize("screen", SCREENS)
def test_what_one_presses_north_and_the_scale_lie_beside_the_map_and_hide_nobody_to_ring(
    demo_atlas: Path, browser: Browser, screen: tuple[int, int]
) -> None:
    with visiting(browser, *screen, has_touch=True) as visit:
        for path in (demo_atlas / "index.html", *sorted((demo_atlas / "fields").glob("*.html"))):
            visit.page.clock.install(time=DEMO_NOW)
            page = visit.open(path)
            page.locator("html.ready").wait_for()
            over = page.evaluate(
                """() => {
                  const map = document.getElementById("map_field").getBoundingClientRect();
                  return [...document.querySelectorAll(".map-frame button, .leaflet-control, .north-corner")]
                    .map(e => [e.className.baseVal || e.className || e.dataset.do, e.getBoundingClientRect()])
                    .filter(([, b]) => !b.width || b.top < map.bottom - 0.5).map(([name]) => name);
                }"""
            )
            assert over == [], path.name
            hidden = page.evaluate(
                """() => [...document.querySelectorAll(".first-ring a")].filter(a => {
                  const b = a.getBoundingClientRect();
                  return [0.1, 0.5, 0.9].some(s =>
                    !a.contains(document.elementFromPoint(b.left + s * b.width, (b.top + b.bottom) / 2)));
                }).map(a => a.textContent)"""
            )
            assert hidden == [], path.name
        visit.check_quiet()
