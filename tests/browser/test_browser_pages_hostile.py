"""Texts of a hostile farm file and hostile settings are shown as text: nothing of them runs, nothing is asked of
the network, on any page and in any file that is handed on, with the content policy and without."""

from __future__ import annotations

import re
from pathlib import Path

import hostile_farm
import pytest
from browsing import Visit, pages_of, violations, visiting
from playwright.sync_api import Browser, Page, expect

from atlas.editions.sharing import share

STRANGE = "[onerror], [onload], [onmouseover], img[src^=http], a[href^=javascript], iframe, base, link[href^=http]"
PLANTED = "<img src=http://192.0.2.1/a.png onerror='window.ran = 1'><script>window.ran = 2</script>"


@pytest.fixture(scope="module")
def hostile_atlas(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return hostile_farm.atlas(tmp_path_factory.mktemp("hostile"))


@pytest.fixture(scope="module")
def all_pages(hostile_atlas: Path) -> list[Path]:
    """Of the atlas, the files that are handed on, and what an atlas of several farms has beside its fields."""
    stick, several = hostile_atlas.parent / "stick", hostile_atlas.parent / "several"
    share(hostile_atlas, stick)
    several.mkdir()
    farms = hostile_farm.atlas(several, farms=True)
    assert (farms / "farms").is_dir()
    more = [p for p in pages_of(farms) if p.parent.name != "fields" and "-2" not in p.stem and p.stem[:2] != "2-"]
    return [*pages_of(hostile_atlas), *pages_of(stick), *more]


def ran(page: Page) -> object:
    """What of the file's texts ran, once everything is loaded and the page's own scripts have had their turn."""
    page.wait_for_function("document.readyState === 'complete'")
    page.evaluate("new Promise(done => requestAnimationFrame(() => setTimeout(done, 0)))")
    return page.evaluate("window.ran")


@pytest.mark.parametrize("policy", [True, False])
def test_nothing_of_the_texts_runs(all_pages: list[Path], browser: Browser, policy: bool) -> None:
    """Without the policy, escaping alone must hold."""
    with visiting(browser, bypass_csp=not policy) as visit:
        for path in all_pages:
            page = visit.open(path)
            assert ran(page) is None, path.name
            assert page.locator(STRANGE).count() == 0, path.name
            assert re.fullmatch(r"file://[^?]*", page.url), "it led elsewhere"
        visit.check_quiet()


@pytest.mark.parametrize("policy", [True, False])
def test_nothing_runs_when_the_sheets_are_used(hostile_atlas: Path, browser: Browser, policy: bool) -> None:
    """What scripts put on a page from the data: choices, the map, places, the walk's and the day's lists."""
    with visiting(browser, bypass_csp=not policy) as visit:
        sheet = visit.open(next(p for p in pages_of(hostile_atlas) if p.parent.name == "fields"))
        for choice in sheet.locator("form.choose select, .choose select").all():
            for value in choice.locator("option").evaluate_all("all => all.map(o => o.value)"):
                choice.select_option(value)
        for part in sheet.locator("details").all():
            part.evaluate("e => { e.open = true; }")
        sheet.locator("#map_field").click(position={"x": 90, "y": 90})
        assert ran(sheet) is None
        assert sheet.locator(STRANGE).count() == 0
        day = visit.open(hostile_atlas / "day.html")
        for tick in day.locator("input[data-field]").all():
            tick.check()
        expect(day.locator(".dy-field")).to_have_count(2)
        saved = hostile_atlas.parent / "day.html"
        saved.write_text(day.evaluate("fieldAtlas.daySheetFile()"), encoding="utf-8")
        for page in (day, visit.open(saved)):
            assert ran(page) is None
            assert page.locator(STRANGE).count() == 0
        assert hostile_farm.SEEN in visit.page.locator("body").inner_text()
        visit.check_quiet()


def test_the_text_itself_is_shown(hostile_atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        text = visit.open(hostile_atlas / "index.html").locator("body").inner_text()
        for attempt in hostile_farm.ATTEMPTS:
            if attempt.isprintable():
                assert " ".join(attempt.split()) in " ".join(text.split())
        assert violations(visit.page) == []


def planted(visit: Visit, atlas: Path, with_policy: bool) -> tuple[object, list[str]]:
    """Open the overview with markup in it nobody escaped; what ran, and why what it asked for never came."""
    failed: list[str] = []
    visit.page.on("requestfailed", lambda r: failed.append(r.failure or ""))
    page = (atlas / "index.html").read_text("utf-8")
    assert "<main" in page
    if not with_policy:
        page, removed = re.subn("<meta http-equiv=[^>]*>", "", page)
        assert removed == 1
    path = atlas / f"planted-{with_policy}.html"
    path.write_text(page.replace("<main", f"{PLANTED}<main"), encoding="utf-8")
    try:
        return ran(visit.open(path)), failed
    finally:
        path.unlink()


def test_planted_markup_runs_without_the_policy_and_not_with_it(hostile_atlas: Path, browser: Browser) -> None:
    """So that the checks above can fail, and the policy by itself stops what escaping let through."""
    with visiting(browser) as visit:
        what, failed = planted(visit, hostile_atlas, with_policy=False)
        assert what is not None
        assert failed == ["net::ERR_INTERNET_DISCONNECTED"], "it went to the network"
    with visiting(browser) as visit:
        assert planted(visit, hostile_atlas, with_policy=True) == (None, ["csp"])
