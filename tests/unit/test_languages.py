"""Languages: which there are, what they say, how they write numbers and dates."""

from __future__ import annotations

import json
import re
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from pathlib import Path

import catalogues
import pytest
import quick_farm
from catalogues import HINT, catalogue, faults, forms, in_source, missing, stale
from conftest import MAY_3

from atlas import engine
from atlas.driving import features, place_names, sentences
from atlas.errors import SettingsError
from atlas.languages import SOURCE, Speaker, checked_by, known, language, speakers, speaking, tr
from atlas.pages.render import area, day_of_year, listed, metres, number, when
from atlas.settings import parse
from atlas.words import steep

OTHERS = [code for code in known() if code != SOURCE]
MOMENT = datetime(2026, 6, 12, 18, 0, tzinfo=UTC)


def test_the_source_comes_first_and_is_no_draft() -> None:
    assert known()[0] == SOURCE
    assert not language(SOURCE).draft


def test_the_source_s_messages_are_found_in_code_and_templates() -> None:
    """So that the checks below cannot pass by having nothing to check."""
    found = {m.id: [name for name, _ in m.locations] for m in in_source() if m.id}
    assert len(found) > 400
    assert "atlas/words.py" in found["wet spot"]
    assert "templates/parts/cautions.html" in found["Before you rely on this"]
    assert ("%(n)s place", "%(n)s places") in found


@pytest.mark.parametrize("code", OTHERS)
def test_every_message_is_translated_and_none_is_left_over(code: str) -> None:
    assert missing(code) == [], HINT
    assert stale(code) == [], HINT


@pytest.mark.parametrize("code", OTHERS)
def test_translations_keep_what_is_filled_in(code: str) -> None:
    assert faults(code) == [], HINT


@pytest.mark.parametrize("code", OTHERS)
def test_bringing_a_catalogue_up_to_date_keeps_every_plural(
    code: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / f"{code}.po"
    copy.write_bytes(catalogues.catalogue_file(code).read_bytes())
    monkeypatch.setattr(catalogues, "catalogue_file", lambda _: copy)
    before = catalogue(code)
    catalogues.update(code)
    after = catalogue(code)
    assert after.plural_forms == before.plural_forms
    assert {m.id: m.string for m in after if m.id} == {m.id: m.string for m in before if m.id}


def test_the_checks_find_what_is_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    wrong = catalogues.catalogue("de")
    for message, told in {
        "wet spot": "",
        "{n} ha": "{m} ha",
        "Map %(number)s, %(issued)s": "Karte %(number)s",
        "Not released: counts as <b>wet</b>": "Nicht freigegeben: zählt als nass",
        "no longer said": "nicht mehr gesagt",
    }.items():
        (wrong.get(message) or wrong.add(message)).string = told
    plural = wrong.get("%(n)s place")
    assert plural is not None
    plural.string = ("%(n)s Stelle", "Stellen")
    monkeypatch.setattr(catalogues, "catalogue", lambda _: wrong)
    assert [m.message for m in missing("de")] == ["wet spot"]
    assert [m.message for m in stale("de")] == ["no longer said"]
    found = {m.message: m.what for m in faults("de")}
    assert set(found) == {
        "{n} ha", "Map %(number)s, %(issued)s", "Not released: counts as <b>wet</b>", "%(n)s place",
    }  # fmt: skip
    assert "markup" in found["Not released: counts as <b>wet</b>"]
    assert "placeholders" in found["%(n)s place"]


def test_a_native_speaker_is_named_in_the_catalogue_s_head() -> None:
    head = 'msgid ""\nmsgstr ""\n"Language: de\\n"\n"X-Checked-By: {}\\n"\n'
    assert checked_by(head.format("")) == ""
    assert checked_by(head.format("Runa Telk")) == "Runa Telk"
    assert checked_by('"Language: de\\n"') == ""


def test_settings_name_only_languages_there_are() -> None:
    with pytest.raises(SettingsError, match=r"'farm\.languages' names 'xx', which there is no .*; there are 'en'"):
        parse({"farm": {"languages": ["en", "xx"]}})
    for wrong in ([], ["en", "en"]):
        with pytest.raises(SettingsError, match="name each language once; there are 'en'"):
            parse({"farm": {"languages": wrong}})


def test_a_language_there_is_not_gets_a_sentence() -> None:
    with pytest.raises(SettingsError, match="there is no language 'xx'; there are en"):
        language("xx")


def test_the_first_language_has_the_usual_addresses() -> None:
    (first,) = speakers([SOURCE])
    assert [first.page(p) for p in ("index.html", "data/walk.gpx")] == ["index.html", "data/walk.gpx"]
    again = speakers([SOURCE, SOURCE])[1]
    assert [again.page(p) for p in ("fields/a.html", "data/walk.gpx")] == ["fields/a.en.html", "data/walk.gpx"]


def test_nothing_is_said_of_an_empty_text() -> None:
    """gettext would answer with the catalogue's head."""
    for who in speakers(known()):
        with speaking(who):
            assert tr("") == ""


def test_a_place_of_two_parts_is_said_part_by_part() -> None:
    def loud(text: str) -> str:
        return text.upper() if "{" not in text else "{first} UND {second}"

    assert place_names.place_in("in the north and in the middle", loud) == "IN THE NORTH UND IN THE MIDDLE"
    assert place_names.place_in("along the east edge", loud) == "ALONG THE EAST EDGE"
    assert place_names.place_in("by the old ash and the barn", loud) == "by the old ash and the barn"


def say(code: str) -> AbstractContextManager[Speaker]:
    return speaking(Speaker(language(code), ""))


@pytest.mark.parametrize(
    ("code", "told"),
    [
        ("en", "1.25 ha, 2.5 m, 12\u202f345.6, 12 June 2026, 18:00 UTC, 12 June, a, b and c, 40 % (22°)"),
        ("de", "1,25 ha, 2,5 m, 12\u202f345,6, 12. Juni 2026, 18:00 UTC, 12. Juni, a, b und c, 40 % (22°)"),
        ("fr", "1,25 ha, 2,5 m, 12\u202f345,6, 12 juin 2026, 18:00 UTC, 12 juin, a, b et c, 40 % (22°)"),
        ("it", "1,25 ha, 2,5 m, 12\u202f345,6, 12 giugno 2026, 18:00 UTC, 12 giugno, a, b e c, 40 % (22°)"),
    ],
)
def test_numbers_and_dates_are_the_language_s_own(code: str, told: str) -> None:
    """Decimal signs and dates as CLDR has them; a narrow space between thousands in every language, which ISO
    80000-1 recommends (from memory)."""
    with say(code):
        parts = (
            area(12_500), metres(2.5), number(12345.6, 1), when(MOMENT), day_of_year(MOMENT),
            listed(("a", "b", "c")), steep(0.4),
        )  # fmt: skip
    assert ", ".join(parts) == told


@pytest.mark.parametrize("code", OTHERS)
def test_no_translation_promises_anything_of_the_ground(code: str) -> None:
    """ "Safe" and its like are never said, whatever the language."""
    words = "safe|sicher|ungefährlich|gefahrlos|sûre?s?|sans danger|sicur[aoie]|senza pericolo"
    promised = re.compile(rf"\b(?:{words})\b", re.I)
    said = [form for m in catalogue(code) if m.id for form in forms(m)]
    assert [form for form in said if promised.search(form)] == []


@pytest.mark.parametrize("code", OTHERS)
def test_every_first_sentence_can_be_said_in_every_language(code: str) -> None:
    """Filled in as `where_not` fills them in, none leaves a brace, an English word or two spaces."""
    with say(code):
        place, share = tr(place_names.ALONG_EDGE[2]), sentences.share_words(0.3, tr)
        filled = {
            "place": place, "tags": "1, 2", "share": share, "area": sentences.area_words(3210, tr), "why": "…",
            "watch": "…", "first": "…", "last": "…", "thing": tr(features.NAMED["wall"]), "tag": 4,
        }  # fmt: skip
        told = [tr(text).format(**filled) for text in first_sentences()]
    assert place != place_names.ALONG_EDGE[2]
    assert len(told) > 30
    for text, source in zip(told, first_sentences(), strict=True):
        assert text != source
        assert not re.search(r"[{}]|  |\bthe\b|\bdrop\b", text), text


def first_sentences() -> list[str]:
    """Every sentence and part of one that says where not to drive."""
    alone = [value for name, value in vars(sentences).items() if name.startswith("S_") and isinstance(value, str)]
    kinds = (sentences.WHY, sentences.WHY_MARKED, sentences.WHY_MARKED_MANY)
    of_kinds = [text for kind in kinds for text in kind.values()]
    return [*alone, *of_kinds, features.ABOVE, features.BELOW, features.BESIDE]


def test_a_build_in_another_language_writes_all_pages_anew_and_leaves_none_behind(
    small_farm_file: Path, tmp_path: Path
) -> None:
    """The data file is the same but for the list of languages: what it says is in keys and the source's words."""
    plain = quick_farm.settings()
    pages, data = {}, {}
    for edition, codes in enumerate((("en",), ("de", "en"), ("en",)), start=1):
        spoken = plain.model_copy(update={"farm": plain.farm.model_copy(update={"languages": codes})})
        report = engine.build(small_farm_file, tmp_path / "build", settings=spoken, now=MAY_3, jobs=1)
        assert (report.unchanged, report.edition.number) == (False, edition)
        pages[edition] = {str(p.relative_to(tmp_path / "build")) for p in (tmp_path / "build").rglob("*.html")}
        data[edition] = json.loads((tmp_path / "build" / "data" / "atlas.json").read_bytes())
        assert data[edition]["languages"] == list(codes)
        index = (tmp_path / "build" / "index.html").read_text()
        assert ("Alle Felder" in index) == (codes[0] == "de")
        marked = (tmp_path / "build" / "data" / "hazards.gpx").read_text()  # one file, in the first language
        assert ("Nassstelle" in marked, "wet spot" in marked) == (codes[0] == "de", codes[0] == "en")
    assert pages[1] == pages[3]
    assert pages[2] == pages[1] | {name.removesuffix(".html") + ".en.html" for name in pages[1]}
    assert data[1]["fields"] == data[2]["fields"]
