"""The atlas in all its languages, opened from disk without network: whole, narrow enough, switched by a touch."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import pytest
import quick_farm
from browsing import follow, too_wide, violations, visiting
from made_language import STRANGE, own_words, words_left
from made_sheet import made_context, made_survey
from playwright.sync_api import Browser
from sheets import open_sheet, write_sheet

from atlas import engine
from atlas.editions.sharing import share
from atlas.languages import known, language
from atlas.settings import Settings

LANGUAGES = ("de", "en", *(code for code in known() if code not in ("de", "en")))
KINDS = ("index", "day", "machines", "changes", "walk", "fields/lower-meadow")
MORNING = "2026-05-03T08:00:00Z"
PHONE, TABLET = (390, 844), (820, 1180)
# Links at the top that lie on the words beside them, whatever the heading's length.
ON_WORDS = """() => {
  const lines = (e) => {
    const range = document.createRange();
    range.selectNodeContents(e);
    return [...range.getClientRects()];
  };
  const apart = (a, from, to) => (b) => b[from] >= a[to] - 1 || a[from] >= b[to] - 1;
  const meet = (a, b) => !apart(a, "left", "right")(b) && !apart(a, "top", "bottom")(b);
  const heading = document.querySelector(".head h1"), was = heading.textContent, found = new Set();
  for (let long = 2; long < 20; long += 1) {
    heading.textContent = "n".repeat(long);
    const words = [...document.querySelectorAll(".head h1, .head .farm, .head .edition")].flatMap(lines);
    const links = [...document.querySelectorAll(".head .pages a")];
    const over = links.filter((a) => lines(a).some((line) => words.some((word) => meet(line, word))));
    over.forEach((a) => found.add(a.textContent));
  }
  heading.textContent = was;
  return [...found];
}"""


@pytest.fixture(scope="module")
def atlas(small_farm_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small farm in every language there is, German first."""
    from conftest import MAY_3

    out = tmp_path_factory.mktemp("languages") / "build"
    raw = quick_farm.settings().model_dump(exclude_unset=True)
    raw["farm"] = {"languages": LANGUAGES, "lead_name": "Runa Telk", "lead_phone": "+43 000 555 0143"}
    raw["drivers"] = {}  # the built-in ones: their labels are ours
    engine.build(small_farm_file, out, settings=Settings.model_validate(raw), now=MAY_3, jobs=1)
    return out


def name_of(code: str, kind: str) -> str:
    return f"{kind}.html" if code == LANGUAGES[0] else f"{kind}.{code}.html"


@dataclass(frozen=True)
class Seen:
    """What one page showed when it was opened on a tablet."""

    drafts: list[str]
    links: list[str]
    wrong: list[str]


@pytest.fixture(scope="module")
def seen(atlas: Path, browser: Browser) -> Callable[[str], dict[str, Seen]]:
    """Every kind of page in a language, each opened once for all that is asked of it."""

    @cache
    def look(code: str) -> dict[str, Seen]:
        found = {}
        with visiting(browser, *TABLET) as visit:
            for kind in KINDS:
                page = visit.open(atlas / name_of(code, kind))
                page.wait_for_timeout(100)
                assert page.locator("html").get_attribute("lang") == code
                drafts = page.locator(".draft").all_inner_texts()
                links = page.locator("a[href*='.html']:not(.languages a)").evaluate_all(
                    "all => all.map(a => a.getAttribute('href'))"
                )
                wrong = violations(page)
                for width in (*(size[0] for size in (TABLET, PHONE)), 360):
                    page.set_viewport_size({"width": width, "height": 900})
                    wrong += [f"at {width} px: {e}" for e in too_wide(page)]
                    wrong += [f"at {width} px: {link} lies on words" for link in page.evaluate(ON_WORDS)]
                found[kind] = Seen(drafts, links, wrong)
            visit.check_quiet()
        return found

    return look


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_kind_of_page_passes_axe_and_fits_the_screen(
    seen: Callable[[str], dict[str, Seen]], code: str
) -> None:
    assert {kind: page.wrong for kind, page in seen(code).items() if page.wrong} == {}


@pytest.mark.parametrize("code", LANGUAGES)
@pytest.mark.parametrize("screen", [PHONE, TABLET])
def test_the_first_screen_holds_what_it_must(
    atlas: Path, browser: Browser, code: str, screen: tuple[int, int]
) -> None:
    """However long the words: release, choice, sentences, the map's beginning, whom to ring, without a touch."""
    with visiting(browser, *screen, has_touch=True) as visit:
        page = open_sheet(visit, atlas / name_of(code, "fields/lower-meadow"), MORNING)
        for part in ("h1", ".release", ".choose", ".where-not.moving", ".first-ring"):
            box = page.locator(part).bounding_box()
            assert box is not None, part
            assert box["y"] + box["height"] <= screen[1], part
        shown = page.locator("#map_field").bounding_box()
        ring = page.locator(".first-ring").bounding_box()
        assert shown is not None
        assert ring is not None
        assert ring["y"] - shown["y"] >= 100  # pixels of map


def test_only_languages_nobody_checked_say_that_they_are_drafts(seen: Callable[[str], dict[str, Seen]]) -> None:
    said = {code: [text for page in seen(code).values() for text in page.drafts] for code in LANGUAGES}
    for code, found in said.items():
        assert len(found) == (len(KINDS) if language(code).draft else 0), code
    assert said["de"][0].startswith("Entwurf, ")


def test_the_switch_leads_to_the_same_page_in_each_language_and_back(atlas: Path, browser: Browser) -> None:
    """By its languages' own names, each a finger wide: 44 px."""
    with visiting(browser, *PHONE, has_touch=True) as visit:
        for kind in ("index", "fields/lower-meadow"):
            page = visit.open(atlas / f"{kind}.html")
            for code in (*LANGUAGES[1:], LANGUAGES[0]):
                link = page.locator(f".languages a[hreflang={code}]")
                box = link.bounding_box()
                assert box is not None
                assert min(box["width"], box["height"]) >= 44
                assert link.inner_text() == language(code).name
                follow(page, link, re.escape("/" + name_of(code, kind)))
                assert page.locator("html").get_attribute("lang") == code
                assert page.locator(".languages [aria-current]").inner_text() == language(code).name
        visit.check_quiet()


@pytest.mark.parametrize("code", LANGUAGES)
def test_a_page_links_to_pages_in_its_own_language(seen: Callable[[str], dict[str, Seen]], code: str) -> None:
    other = re.compile(rf"\.({'|'.join(LANGUAGES[1:])})\.html")
    for kind, page in seen(code).items():
        assert page.links
        ends = {found[1] if (found := other.search(link)) else LANGUAGES[0] for link in page.links}
        assert ends == {code}, (kind, page.links)


@pytest.mark.parametrize("code", LANGUAGES)
def test_scripts_write_numbers_as_the_language_does(atlas: Path, browser: Browser, code: str) -> None:
    with visiting(browser) as visit:
        page = open_sheet(visit, atlas / name_of(code, "fields/lower-meadow"), MORNING)
        assert page.evaluate("[fieldAtlas.number(12.34, 1), fieldAtlas.number(1234, 0)]") == [
            "12.3" if code == "en" else "12,3", "1234",
        ]  # fmt: skip
        visit.check_quiet()


def test_ticks_of_a_walk_are_the_same_in_every_language(atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        visit.open(atlas / "walk.html").locator("input[data-tick]").first.check()
        page = visit.open(atlas / "walk.fr.html")
        assert page.locator("input[data-tick]").first.is_checked()
        assert page.locator("input[data-tick]:checked").count() == 1


def test_sheets_handed_on_are_one_file_a_language_without_the_switch(
    atlas: Path, browser: Browser, tmp_path: Path
) -> None:
    made = share(atlas, tmp_path / "stick", fields=["F01"])
    expected = ["lower-meadow-map-1.html", *(f"lower-meadow-map-1.{code}.html" for code in LANGUAGES[1:])]
    assert list(made.sheets) == expected
    said = set()
    for code, name in zip(LANGUAGES, made.sheets, strict=True):
        with visiting(browser) as visit:
            page = open_sheet(visit, made.to / name, MORNING)
            assert page.locator("html").get_attribute("lang") == code
            assert page.locator(".languages").count() == 0
            assert page.locator(".draft").count() == language(code).draft
            said.add(page.locator(".handed-on").first.inner_text())
            said.add(page.locator(".where-not.moving").inner_text())
            visit.check_quiet()
    assert len(said) == 2 * len(LANGUAGES)


def test_scripts_say_nothing_that_is_not_in_the_catalogue(
    browser: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the made language no Latin word is left on a sheet at work, but the farm's own and units."""
    STRANGE.install(monkeypatch)
    ctx = replace(made_context(), languages=(STRANGE.code,))
    survey = made_survey(ctx, east_m=80, north_m=70)
    own = own_words(survey, ctx)
    with visiting(browser) as visit:
        page = open_sheet(visit, write_sheet(tmp_path, survey, ctx), "2026-06-12T08:00:00Z")
        found = words_left(page.locator("body").inner_text(), own)
        for ground in ("damp", "wet"):
            page.evaluate("g => fieldAtlas.choose('slope_tractor', g, 'new')", ground)
            for across in (0.2, 0.4, 0.6, 0.8):
                for down in (0.3, 0.5, 0.7):
                    page.evaluate(
                        """([a, d]) => { const p = fieldAtlas.data.picture;
                          fieldAtlas.tell(p.west + a * (p.east - p.west), p.south + d * (p.north - p.south)); }""",
                        [across, down],
                    )
                    found |= words_left(page.locator("#told").inner_text(), own)
        visit.check_quiet()
    assert found == set()
