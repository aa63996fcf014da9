"""Every page of the demo, opened from disk without network, as a worker's tablet would."""

from __future__ import annotations

from pathlib import Path

import pytest
from browsing import WIDTHS, ink, pages_of, too_wide, violations, visiting
from playwright.sync_api import Browser, Page

MAPS = ".ov-picture, .map, .picture-frame"  # the overview; a sheet with and without scripts


def names(atlas: Path) -> set[str]:
    return {str(p.relative_to(atlas)) for p in pages_of(atlas)}


def test_the_demo_has_its_pages(demo_atlas: Path) -> None:
    """So that the checks below cannot pass by having nothing to check."""
    assert {"index.html", "machines.html"} <= names(demo_atlas)
    assert len([n for n in names(demo_atlas) if n.startswith("fields/")]) == 16


def test_pages_load_from_disk_draw_fit_the_screen_and_pass_axe(demo_atlas: Path, browser: Browser) -> None:
    """Nothing asked of the network, nothing complained of, ink on the map, no violation, nothing too wide."""
    bad: dict[str, list[str]] = {}
    with visiting(browser) as visit:
        for path in pages_of(demo_atlas):
            page = visit.open(path)
            page.wait_for_timeout(150)
            found = violations(page) + (blank_map(page) if has_map(path) else [])
            for width in WIDTHS:
                page.set_viewport_size({"width": width, "height": 900})
                found += [f"at {width} px: {e}" for e in too_wide(page)]
            found += [f"asked outside: {u}" for u in visit.outside] + [f"complained: {e}" for e in visit.errors]
            visit.outside.clear()
            visit.errors.clear()
            if found:
                bad[path.name] = found
    assert bad == {}


@pytest.mark.parametrize("width", [320, 390])
def test_no_form_field_makes_a_phone_zoom_and_pages_fit_it(demo_atlas: Path, browser: Browser, width: int) -> None:
    """iOS enlarges the page when a field with letters under 16 px is entered (from memory)."""
    bad: dict[str, list[str]] = {}
    fields = 0
    with visiting(browser, width, 740) as visit:
        for path in pages_of(demo_atlas):
            page = visit.open(path)
            if path.name == "day.html":
                page.locator("input[data-field]").first.check()
                page.locator(".dy-sets select").first.wait_for()
            sizes = page.evaluate(
                """() => [...document.querySelectorAll("input, select, textarea")]
                  .filter(e => !["checkbox", "file"].includes(e.type))
                  .map(e => [e.outerHTML.slice(0, 60), parseFloat(getComputedStyle(e).fontSize)])"""
            )
            fields += len(sizes)
            if found := [f"{html}: {px} px" for html, px in sizes if px < 16] + too_wide(page):
                bad[path.name] = found
        visit.check_quiet()
    assert bad == {}
    assert fields >= 16 * 5  # three choices, a note and a name on each sheet


def test_axe_also_passes_on_a_phone(demo_atlas: Path, browser: Browser) -> None:
    """Narrow screens hide and reorder things; one page of each kind is enough."""
    shared = [p for p in pages_of(demo_atlas) if p.parent == demo_atlas]
    field = next(p for p in pages_of(demo_atlas) if p.parent.name == "fields")
    with visiting(browser, 360, 740) as visit:
        for path in (*shared, field):
            assert violations(visit.open(path)) == [], path.name


def test_without_scripts_map_table_and_emergency_number_are_there(demo_atlas: Path, browser: Browser) -> None:
    missing = []
    with visiting(browser, java_script_enabled=False) as visit:
        for path in filter(has_map, pages_of(demo_atlas)):
            page = visit.open(path)
            missing += [f"{path.name}: {m}" for m in blank_map(page)]
            if not page.locator("table:visible").count():
                missing.append(f"{path.name}: table")
            if not page.locator('a[href="tel:112"]:visible').count():
                missing.append(f"{path.name}: emergency number")
        visit.check_quiet()
    assert missing == []


@pytest.mark.parametrize("size", WIDTHS)
def test_emergency_number_is_a_finger_wide(demo_atlas: Path, browser: Browser, size: int) -> None:
    """WCAG 2.2, 2.5.8: at least 24 px either way (from memory)."""
    with visiting(browser, size) as visit:
        box = visit.open(demo_atlas / "index.html").locator('a[href="tel:112"]').first.bounding_box()
    assert box is not None
    assert min(box["width"], box["height"]) >= 24


def has_map(path: Path) -> bool:
    return path.name == "index.html" or path.parent.name == "fields"


def blank_map(page: Page) -> list[str]:
    """What is wrong with the first map that shows: outlines, hatching and shading leave ink in many greys."""
    shows = page.locator(MAPS).locator("visible=true")
    if not shows.count():
        return ["no map shows"]
    found = ink(shows.first)
    return [f"the map is blank: {found}"] if found.dark < 0.01 or found.greys < 12 else []
