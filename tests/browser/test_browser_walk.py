"""The page to walk by, on a phone, a tablet and paper; and that the demo's hidden springs are on it."""

from __future__ import annotations

import math
import re
import subprocess
from pathlib import Path

import geopandas as gpd
import pytest
from browsing import DEMO_NOW, WIDTHS, follow, ink, too_wide, visiting
from playwright.sync_api import Browser, Page
from pyproj import Transformer

from atlas.farm.demo import demo_springs

WITHIN_M = 20.0  # one would see water from there


def test_the_demo_s_hidden_springs_are_among_the_stops(demo_atlas: Path) -> None:
    to_ground = Transformer.from_crs("EPSG:4326", "EPSG:25832", always_xy=True)
    points = gpd.read_file(demo_atlas / "data" / "walk.gpx", layer="waypoints")
    stops = points[points["name"].str.contains("likely wet")]
    x, y = to_ground.transform(stops.geometry.x.to_numpy(), stops.geometry.y.to_numpy())
    springs = demo_springs()
    assert len(springs) >= 4
    for spring in springs:
        assert min(math.hypot(a - spring.x, b - spring.y) for a, b in zip(x, y, strict=True)) <= WITHIN_M, spring


def test_the_page_and_the_receiver_have_the_same_numbers(demo_atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        page = visit.open(demo_atlas / "walk.html")
        listed = [int(i.removeprefix("stop-")) for i in ids(page, '[id^="stop-"]')]
        on_maps = sorted(int(t) for t in page.locator(".wk-picture .wk-number").all_text_contents())
    names = gpd.read_file(demo_atlas / "data" / "walk.gpx", layer="waypoints")["name"]
    told = sorted(int(n.split()[0]) for n in names if re.match(r"\d+ ", n))
    assert listed == list(range(1, len(listed) + 1))
    assert on_maps == told == listed


def ids(page: Page, selector: str) -> list[str]:
    found: list[str] = page.eval_on_selector_all(selector, "all => all.map(e => e.id)")
    return found


@pytest.mark.parametrize("width", WIDTHS)
def test_from_disk_without_complaint_within_the_screen(demo_atlas: Path, browser: Browser, width: int) -> None:
    with visiting(browser, width) as visit:
        page = visit.open(demo_atlas / "walk.html")
        assert too_wide(page) == []
        assert ink(page.locator(".wk-picture").first).dark > 0.01
        visit.check_quiet()


def test_boxes_are_a_finger_wide(demo_atlas: Path, browser: Browser) -> None:
    """WCAG 2.2, 2.5.8: at least 24 px either way (from memory); the label around a box counts."""
    with visiting(browser, 360) as visit:
        page = visit.open(demo_atlas / "walk.html")
        sizes = page.eval_on_selector_all(
            ".wk-stops label", "all => all.map(e => e.getBoundingClientRect()).map(r => [r.width, r.height])"
        )
    assert len(sizes) > 20
    assert min(min(s) for s in sizes) >= 24


def test_ticks_stay_on_the_device_and_go_with_the_next_map(demo_atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        page = visit.open(demo_atlas / "walk.html")
        box = page.locator(".wk-seen input").first
        box.check()
        page.reload()
        assert box.is_checked()
        assert page.locator(".wk-stops input:checked").count() == 1
        page.evaluate(
            """() => {
              const key = Object.keys(localStorage).find(k => k.startsWith("field-atlas walk"));
              const kept = JSON.parse(localStorage.getItem(key));
              localStorage.setItem(key, JSON.stringify({ ...kept, number: String(Number(kept.number) - 1) }));
            }"""
        )
        page.reload()
        assert not box.is_checked()
        visit.check_quiet()


def test_every_walk_prints_on_sheets_of_its_own_with_whom_to_ring(
    demo_atlas: Path, browser: Browser, tmp_path: Path
) -> None:
    pdf = tmp_path / "walk.pdf"
    with visiting(browser) as visit:
        page = visit.open(demo_atlas / "walk.html")
        walks = page.locator(".wk-walk").count()
        stops = page.locator(".wk-stops li").count()
        page.pdf(path=pdf, prefer_css_page_size=True)
    info = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout
    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+) pts", info)
    assert size
    # ISO 216: A4 is 210 by 297 mm (from memory)
    assert float(size[1]) * 25.4 / 72 == pytest.approx(210, abs=0.5)
    assert float(size[2]) * 25.4 / 72 == pytest.approx(297, abs=0.5)
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], check=True, capture_output=True, text=True).stdout
    sheets = text.split("\f")
    heads = [s for s in sheets if re.match(r"\s*Walk \d+\n", s)]
    assert len(heads) == walks >= 2
    assert all("112" in s and "+43 000 555 0143" in s and f"Map 1, {DEMO_NOW.day} June" in s for s in heads)
    assert len(re.findall(r"-?\d+\.\d{5}, -?\d+\.\d{5}", text)) == stops


def test_the_map_is_true_to_scale_on_paper(demo_atlas: Path, browser: Browser) -> None:
    """The bar's box on the printed page against the ground it names."""
    with visiting(browser) as visit:
        page = visit.open(demo_atlas / "walk.html")
        page.emulate_media(media="print")
        page.set_viewport_size({"width": 900, "height": 900})
        bars = page.eval_on_selector_all(
            ".wk-picture .ov-bar-edge",
            "all => all.map(e => [e.getBoundingClientRect().width, Number(e.dataset.metres)])",
        )
        scales = page.locator(".wk-picture").evaluate_all("all => all.map(e => e.getAttribute('aria-label'))")
    assert len(bars) == len(scales) >= 2
    for (pixels, metres), said in zip(bars, scales, strict=True):
        scale = int(re.sub(r"\D", "", said.split("1:")[1]))
        assert pixels * 25.4 / 96 * scale / 1000 == pytest.approx(metres, rel=0.01)


def test_the_overview_and_the_sheets_lead_there(demo_atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        page = visit.open(demo_atlas / "index.html")
        follow(page, ".ov-first a[href='walk.html']", r"/walk\.html")
        page.locator(".wk-stops").first.scroll_into_view_if_needed()
        follow(page, page.locator("h3 a").first, r"/fields/[a-z0-9-]+\.html")
        named = page.locator("section.unconfirmed .likely-wet li").count()
        assert 1 <= named <= 5
        follow(page, "section.unconfirmed a[href='../walk.html']", r"/walk\.html")
        assert page.locator(".wk-stops").count() >= 1
        visit.check_quiet()
