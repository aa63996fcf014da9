"""The day sheet in Chromium: chosen, put together, printed and saved, from disk with the network off."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from browsing import DEMO_NOW, too_wide, violations, visiting
from playwright.sync_api import Browser, Page, expect


@pytest.fixture(scope="module")
def figures(demo_atlas: Path) -> list[dict[str, object]]:
    listed: list[dict[str, object]] = json.loads((demo_atlas / "data" / "atlas.json").read_bytes())["fields"]
    return listed


def opened(page: Page) -> None:
    """Choose the first, fourth and ninth field by a tick."""
    for k in (0, 3, 8):
        page.locator("input[data-field]").nth(k).check()
    expect(page.locator(".dy-field")).to_have_count(3)


def at(page: Page, now: datetime) -> None:
    page.clock.set_fixed_time(now)


def test_chosen_fields_stand_in_the_order_of_their_ways_in(demo_atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        at(visit.page, DEMO_NOW)
        page = visit.open(demo_atlas / "day.html")
        assert page.locator(".dy-sheet").is_hidden()
        for k in (7, 2, 11, 5):
            page.locator("input[data-field]").nth(k).check()
        expect(page.locator(".dy-field")).to_have_count(4)
        places = page.eval_on_selector_all(
            "input[data-field]:checked",
            "all => all.map(e => [Number(e.dataset.order), e.closest('label').innerText])",
        )
        wanted = [" ".join(name.split()) for _, name in sorted(places, key=lambda p: (p[0], int(p[1].split()[0])))]
        assert page.locator(".dy-field h3").all_inner_texts() == wanted
        page.locator("input[data-field]").nth(2).uncheck()
        expect(page.locator(".dy-field")).to_have_count(3)
        visit.check_quiet()


def test_it_says_what_the_figures_and_the_sheets_say(
    demo_atlas: Path, browser: Browser, figures: list[dict[str, object]]
) -> None:
    """Sentences and markings as on the field's own sheet for the same choice; a better ground is not offered."""
    with visiting(browser) as visit:
        at(visit.page, DEMO_NOW)
        page = visit.open(demo_atlas / "day.html")
        opened(page)
        first = page.locator("li[data-of]").first
        machines = first.locator("select[data-pick=machine] option").evaluate_all("all => all.map(o => o.value)")
        first.locator("select[data-pick=machine]").select_option(machines[-1])
        first.locator("select[data-pick=driver]").select_option("practised")
        ground = first.locator("select[data-pick=ground]").input_value()
        name = first.locator("b").first.inner_text()
        block = page.locator(".dy-field").filter(has=page.locator("h3", has_text=name))
        said = block.locator(".dy-not").all_inner_texts()
        tags = block.locator("li .tag").all_inner_texts()
        slug = str(first.get_attribute("data-of"))
        page = visit.open(demo_atlas / "fields" / f"{slug}.html")
        page.evaluate("([m, g, d]) => fieldAtlas.choose(m, g, d)", [machines[-1], ground, "practised"])
        assert said == page.locator(".moving [data-say=sentences] p").all_inner_texts()
        known = next(f for f in figures if f["page"] == f"fields/{slug}.html")
        hazards = known["hazards"]
        assert isinstance(hazards, list)
        assert tags == [str(h["tag"]) for h in hazards]
        offered = page.evaluate("() => window.FIELD_ATLAS.may_choose[window.FIELD_ATLAS.counts_as]")
        assert ground in offered


def test_a_release_that_ran_out_counts_no_more(demo_atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        at(visit.page, DEMO_NOW)
        page = visit.open(demo_atlas / "day.html")
        for k in range(16):
            page.locator("input[data-field]").nth(k).check()
        expect(page.locator(".dy-field")).to_have_count(16)
        running = page.locator(".dy-field[data-state=running]").count()
        assert 0 < running < 16
        at(page, DEMO_NOW + timedelta(days=30))
        page.evaluate("() => window.dispatchEvent(new Event('beforeprint'))")
        assert page.locator(".dy-field[data-state=running]").count() == 0
        assert page.locator(".dy-field[data-state=over]").count() == running
        for block in page.locator(".dy-field[data-state=over]").all():
            assert "wet" in block.locator("p").nth(2).inner_text()
        at(page, datetime(2020, 1, 1, tzinfo=UTC))
        page.evaluate("() => window.dispatchEvent(new Event('beforeprint'))")
        assert page.locator(".dy-field[data-state=running]").count() == 0


def test_saved_it_is_one_file_that_runs_and_asks_for_nothing(
    demo_atlas: Path, browser: Browser, tmp_path: Path
) -> None:
    with visiting(browser, accept_downloads=True) as visit:
        at(visit.page, DEMO_NOW)
        page = visit.open(demo_atlas / "day.html")
        opened(page)
        hostile = "<img src=x onerror=alert(1)> Runa"
        page.locator("li[data-of] input").first.fill(hostile)
        with page.expect_download() as coming:
            page.locator("[data-do=save]").click()
        kept = tmp_path / "day.html"
        coming.value.save_as(kept)
        text = page.locator(".dy-list").inner_text()
    assert "<script" not in kept.read_text()
    assert "<img" not in kept.read_text()
    with visiting(browser) as visit:
        page = visit.open(kept)
        assert page.locator(".dy-list").inner_text().split() == text.split()
        assert hostile in page.locator(".dy-list").inner_text()
        assert page.locator('a[href="tel:112"]').is_visible()
        assert too_wide(page) == []
        visit.check_quiet()


@pytest.mark.parametrize("width", [390, 820])
def test_chosen_it_fits_the_screen_and_axe_is_content(demo_atlas: Path, browser: Browser, width: int) -> None:
    with visiting(browser, width) as visit:
        at(visit.page, DEMO_NOW)
        page = visit.open(demo_atlas / "day.html")
        opened(page)
        assert too_wide(page) == []
        assert violations(page) == []
        small = page.eval_on_selector_all(
            ".dy-pick, .dy-set select, .dy-set input, .dy-set button",
            "all => all.filter(e => e.offsetHeight < 44).length",
        )
        assert small == 0


def test_on_paper_only_the_sheet_is_left(demo_atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        at(visit.page, DEMO_NOW)
        page = visit.open(demo_atlas / "day.html")
        opened(page)
        page.emulate_media(media="print")
        assert page.locator(".dy-choose").is_hidden()
        assert page.locator(".dy-set").is_hidden()
        assert page.locator(".dy-sheet").is_visible()


def test_without_scripts_the_fields_own_sheets_are_linked(demo_atlas: Path, browser: Browser) -> None:
    with visiting(browser, java_script_enabled=False) as visit:
        page = visit.open(demo_atlas / "day.html")
        assert page.locator("a.dy-still:visible").count() == 16
        assert page.locator("p.dy-still").is_visible()
        assert page.locator("input:visible").count() == 0
