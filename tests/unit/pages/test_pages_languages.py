"""Pages in other languages than the source's: every word goes through the catalogue, every number through the
language."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
import quick_farm
from conftest import MAY_3
from made_language import BOOKS, STRANGE, own_words, words_left
from made_sheet import made_context, made_survey
from shapely.geometry import Point

from atlas import engine
from atlas.farm import change
from atlas.languages import Speaker, known, language, speaking
from atlas.pages.context import PageContext
from atlas.pages.machine_cards import machines_page
from atlas.pages.overview import entry_of
from atlas.pages.sheet import field_sheet
from atlas.pages.walk_entry import stops_of


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> PageContext:
    """A context whose pages are in English and in the made language, code "xx"."""
    STRANGE.install(monkeypatch)
    return replace(made_context(), languages=("en", STRANGE.code))


class Visible(HTMLParser):
    """Everything a page shows or reads out: text, and the attributes that hold words."""

    SPOKEN = (
        "aria-label",
        "title",
        "placeholder",
        "alt",
        "data-words",
        "data-ahead",
        "data-zoom-in",
        "data-zoom-out",
    )

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._other = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.found += [re.sub(r"\{\w+\}", "", v) for k, v in attrs if v and k in self.SPOKEN]
        self._other += tag == "nav" and values.get("class") == "languages"

    def handle_endtag(self, tag: str) -> None:
        if tag == "nav" and self._other:
            self._other -= 1

    def handle_data(self, data: str) -> None:
        if not self._other:  # the switch names each language in itself
            self.found.append(data)


def visible(page: bytes) -> str:
    reader = Visible()
    reader.feed(page.decode())
    return "\n".join(reader.found)


def test_the_check_finds_words_nobody_marked(made: PageContext) -> None:
    """The same page in English is full of them."""
    survey = made_survey(made)
    page = field_sheet(survey, made)["fields/hintere-leitn.html"]
    assert {"Released", "wet", "Keep", "straight"} <= words_left(visible(page), own_words(survey, made))


@pytest.mark.parametrize("released", ["damp", None])
def test_every_word_of_a_sheet_goes_through_the_catalogue(made: PageContext, released: str | None) -> None:
    survey = made_survey(made, released=released)
    files = field_sheet(survey, made)
    own = own_words(survey, made)
    assert words_left(visible(files["fields/hintere-leitn.xx.html"]), own) == set()
    data = data_of(files["fields/hintere-leitn.xx.js"])
    assert words_left("\n".join(said_in(data)), own) == set()


def said_in(data: object, key: str = "") -> Iterator[str]:
    """The strings of a sheet's data that a page may show; keys by which scripts know things are not."""
    if isinstance(data, dict):
        for k, v in data.items():
            if k not in ("key", "machine", "ground", "driver") or isinstance(v, dict | list):
                yield from said_in(v, k)
    elif isinstance(data, list):
        for v in data:
            yield from said_in(v, key)
    elif isinstance(data, str):
        yield re.sub(r"\{\w+\}", "", data)


def test_every_word_of_the_machine_cards_goes_through_the_catalogue(made: PageContext) -> None:
    page = machines_page(made)["machines.xx.html"]
    assert words_left(visible(page), own_words(made_survey(made), made)) == set()


def test_where_terrain_is_too_coarse_the_sheet_says_so_in_its_language(made: PageContext) -> None:
    survey = made_survey(made, cell_m=2.5, released=None)
    coarse = replace(survey, driving=replace(survey.driving, drives=(), tilts=(), why_none="said in English"))
    page = visible(field_sheet(coarse, made)["fields/hintere-leitn.xx.html"])
    assert "2,5 ж" in page
    assert words_left(page, own_words(survey, made)) == set()


def test_what_is_kept_for_the_next_build_is_the_same_in_every_language(made: PageContext) -> None:
    survey = made_survey(made)
    plain = (entry_of(survey, made).as_json(), stops_of(survey).as_json())
    with speaking(Speaker(STRANGE, ".xx")):
        assert (entry_of(survey, made).as_json(), stops_of(survey).as_json()) == plain


def test_a_second_language_leaves_the_first_as_it_is(made: PageContext) -> None:
    """But for the switch, and the words in a script of their own: no page carries two languages."""
    survey = made_survey(made, east_m=80, north_m=60)
    both, one = field_sheet(survey, made), field_sheet(survey, replace(made, languages=("en",)))
    page, data, spoken = (f"fields/hintere-leitn{end}" for end in (".html", ".js", ".en.js"))
    more = re.compile(rb'<nav class="languages".*?</nav>\n|<script src="[^"]*\.en\.js" defer></script>\n', re.S)
    assert set(one) == {page, data}
    assert more.sub(b"", both[page]) == one[page]
    assert data_of(both[data]) | data_of(both[spoken]) == data_of(one[data])
    assert "drives" not in data_of(both[data])


def data_of(script: bytes) -> dict[str, object]:
    """What a sheet's script hands to the page."""
    whole = (
        script.decode().removeprefix("window.FIELD_ATLAS = ").removeprefix("Object.assign(window.FIELD_ATLAS, ")
    )
    data: dict[str, object] = json.JSONDecoder().raw_decode(whole)[0]
    return data


@pytest.mark.parametrize("code", known())
def test_a_sheet_names_its_language_and_links_to_the_others(code: str) -> None:
    survey = made_survey(made_context(), east_m=60, north_m=50)
    ctx = replace(made_context(), languages=known())
    suffix = "" if code == known()[0] else f".{code}"
    html = field_sheet(survey, ctx)[f"fields/hintere-leitn{suffix}.html"].decode()
    assert html.startswith(f'<!doctype html>\n<html lang="{code}">')
    assert f'<a href="../index{suffix}.html">' in html
    for other in known():
        there = "" if other == known()[0] else f".{other}"
        assert f'<a href="../fields/hintere-leitn{there}.html" lang="{other}" hreflang="{other}"' in html
    assert ('<p class="draft">' in html) == language(code).draft


@pytest.fixture(scope="module")
def second_map(small_farm_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small farm's second map, in the made language: a marking is new, one is gone, a release has ended."""
    folder = tmp_path_factory.mktemp("made")
    farm = Path(shutil.copyfile(small_farm_file, folder / "farm.gpkg"))
    plain = quick_farm.settings()
    spoken = plain.farm.model_copy(update={"languages": (STRANGE.code,), "lead_name": "Runa Telk"})
    settings = plain.model_copy(update={"farm": spoken, "drivers": {}, "machines": {}, "grounds": {}})
    with pytest.MonkeyPatch.context() as patch:
        STRANGE.install(patch)
        engine.build(farm, folder / "build", settings=settings, now=MAY_3, jobs=1)
        change.mark(farm, "wet_spot", Point(600_060.0, 5_199_900.0), severity=3, by="Runa Telk", seen_at=MAY_3)
        change.retire(farm, "00000000-0000-4000-8000-000000000000", by="Runa Telk", at=MAY_3)
        later = MAY_3 + timedelta(days=9)
        engine.build(farm, folder / "build", settings=settings, as_of=later, now=later, jobs=1)
    return folder / "build"


SMALL_FARM = (
    "farm Runa Telk Lower meadow Upper meadow Spring bank Far corner Gate below the old ash undercut trough "
    "Enter at the gate and drive straight up along the west edge April Mai "
)


@pytest.mark.parametrize("name", ["index", "day", "machines", "changes", "walk", "fields/far-corner"])
def test_every_word_of_the_atlas_goes_through_the_catalogue(second_map: Path, name: str) -> None:
    page = (second_map / f"{name}.html").read_bytes()
    assert "ж" in visible(page)
    assert words_left(visible(page), set((SMALL_FARM + BOOKS).split())) == set()
