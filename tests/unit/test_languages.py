"""Languages: which there are, what they say, how they write numbers and dates."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from catalogues import HINT, faults, in_source

from atlas.driving import place_names
from atlas.errors import SettingsError
from atlas.languages import SOURCE, checked_by, known, language, speakers, speaking, tr
from atlas.settings import parse

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
def test_translations_keep_what_is_filled_in(code: str) -> None:
    assert faults(code) == [], HINT


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
