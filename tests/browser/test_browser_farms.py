"""An atlas of several farms in the browser: the finder over all fields, and each farm's own pages, from disk."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
import several_farms
from browsing import WIDTHS, follow, pages_of, too_wide, violations, visiting
from conftest import MAY_3
from playwright.sync_api import Browser, expect

from atlas import engine


@pytest.fixture(scope="module")
def atlas(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("farms")
    farm = several_farms.write(folder / "farm.gpkg")
    settings = several_farms.settings(languages=("en", "de"))
    engine.build(farm, folder / "build", settings=settings, now=MAY_3, jobs=1)
    return folder / "build"


def test_a_name_typed_finds_a_field_of_any_farm_and_opens_its_sheet(atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        page = visit.open(atlas / "index.html")
        page.locator("#fm-find").fill("ündertain")
        expect(page.locator(".fm-found")).to_have_text("0 of 6 fields")
        expect(page.locator(".fm-hits a")).to_have_count(0)
        page.locator("#fm-find").fill("MEADOW sohn")
        expect(page.locator(".fm-found")).to_have_text("2 of 6 fields")
        expect(page.locator(".fm-hits li")).to_have_text(
            ["Upper meadow Unter & Sohn, 1", "Lower meadow Unter & Sohn, 2"]
        )
        page.locator("#fm-find").fill("f04")
        expect(page.locator(".fm-hits a")).to_have_text(["Far corner"])
        with page.expect_navigation(url=re.compile(r"/fields/far-corner\.html$"), wait_until="load"):
            page.locator("#fm-find").press("Enter")
        expect(page.locator("h1")).to_have_text("Far corner")
        follow(page, page.get_by_role("link", name="All fields", exact=True).first, r"/farms/fields\.html")
        follow(page, page.get_by_role("link", name="All farms", exact=True).first, r"/index\.html")
        visit.check_quiet()


def test_the_finder_leads_to_sheets_in_the_page_s_own_language(atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        page = visit.open(atlas / "index.de.html")
        page.locator("#fm-find").fill("spring")
        follow(page, ".fm-hits a", r"/fields/spring-bank\.de\.html")
        visit.check_quiet()


def test_without_scripts_the_list_leads_to_each_farm(atlas: Path, browser: Browser) -> None:
    with visiting(browser, java_script_enabled=False) as visit:
        page = visit.open(atlas / "index.html")
        expect(page.locator("#fm-find")).to_be_hidden()
        expect(page.locator(".fm-farm")).to_have_text(["Oberhof", "Unter & Sohn", "Fields of no farm"])
        follow(page, ".fm-farm >> nth=1", r"/farms/unter-sohn\.html")
        follow(page, ".ov-list a >> nth=0", r"/fields/upper-meadow\.html")
        visit.check_quiet()


def test_a_list_that_cannot_be_read_is_said(atlas: Path, browser: Browser, tmp_path: Path) -> None:
    left_out = shutil.ignore_patterns("find-*.js")
    shutil.copytree(atlas / "assets", tmp_path / "assets", ignore=left_out)
    shutil.copy(atlas / "index.html", tmp_path)
    with visiting(browser) as visit:
        page = visit.open(tmp_path / "index.html")
        page.locator("#fm-find").fill("meadow")
        expect(page.locator(".fm-found")).to_contain_text("The list of fields cannot be read.")


def test_the_farms_pages_fit_the_screen_and_pass_axe(atlas: Path, browser: Browser) -> None:
    """Sheets are looked at in the demo; here what only several farms have."""
    bad: dict[str, list[str]] = {}
    pages = [p for p in pages_of(atlas) if p.parent.name != "fields" and not p.name.endswith(".de.html")]
    assert len(pages) == 4 + 4 * 3
    with visiting(browser) as visit:
        for path in (*pages, atlas / "index.de.html"):
            page = visit.open(path)
            found = violations(page)
            for width in WIDTHS:
                page.set_viewport_size({"width": width, "height": 900})
                found += [f"at {width} px: {e}" for e in too_wide(page)]
            if found:
                bad[str(path.relative_to(atlas))] = found
        visit.check_quiet()
    assert bad == {}


def test_a_farm_s_map_moves_and_its_day_sheet_is_put_together(atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        page = visit.open(atlas / "farms" / "oberhof.html")
        expect(page.locator("html")).to_have_class(re.compile(r"\bready\b"))
        page = visit.open(atlas / "days" / "oberhof.html")
        page.locator(".dy-pick input").first.check()
        expect(page.locator(".dy-list")).to_contain_text("Lower meadow")
        visit.check_quiet()
