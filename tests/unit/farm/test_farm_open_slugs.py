"""File names and cell values, whatever people write."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from atlas.errors import RowError
from atlas.farm import slugs, values

NAMES = st.lists(st.tuples(st.text(max_size=80), st.text(min_size=1, max_size=80)), max_size=30)


@given(NAMES)
def test_slugs_are_harmless_and_all_different_whatever_the_names(pairs: list[tuple[str, str]]) -> None:
    given_slugs = slugs.give(pairs)
    assert len(given_slugs) == len(pairs) == len({s.casefold() for s in given_slugs})
    for slug in given_slugs:
        assert slug.isascii()
        assert 1 <= len(slug) <= slugs.LONGEST
        assert all(c in "abcdefghijklmnopqrstuvwxyz0123456789-" for c in slug)
        assert not slug.startswith("-")
        assert slug not in slugs.RESERVED


@given(NAMES)
def test_slugs_depend_on_nothing_but_names_and_order(pairs: list[tuple[str, str]]) -> None:
    assert slugs.give(pairs) == slugs.give(list(pairs))
    assert slugs.give(pairs)[: len(pairs) // 2] == slugs.give(pairs[: len(pairs) // 2])


@pytest.mark.parametrize(
    ("name", "slug"),
    [
        ("Höfli Süd", "hoefli-sued"),
        ("Straße 7", "strasse-7"),
        ("Chœur à l’Est", "choeur-a-l-est"),
        ("Łąka", "laka"),
        ("A" * 60, "a" * 40),
        ("../..", ""),
        ("草地", ""),
    ],
)
def test_names_are_spelt_as_people_would(name: str, slug: str) -> None:
    assert slugs.plain(name) == slug


@pytest.mark.parametrize(
    ("value", "number"),
    [
        (3, 3.0),
        ("3,5", 3.5),
        (" 2.25 ", 2.25),
        ("", None),
        (None, None),
        (float("nan"), None),
        ("NULL", None),
        ("-", None),
    ],
)
def test_numbers(value: object, number: float | None) -> None:
    assert values.number(value) == number


@pytest.mark.parametrize("value", ["two", "1,000.5", "inf", float("inf"), "1e400", "0x10"])
def test_what_is_no_number_is_refused(value: object) -> None:
    with pytest.raises(RowError, match="not a number"):
        values.number(value)


@pytest.mark.parametrize(
    ("value", "answer"),
    [(True, True), (1, True), ("Yes", True), ("ja", True), (0, False), ("no", False), (None, False)],
)
def test_yes_and_no(value: object, answer: bool) -> None:
    assert values.yes(value) is answer


def test_neither_yes_nor_no_is_refused() -> None:
    with pytest.raises(RowError, match="neither yes nor no"):
        values.yes("perhaps")


@pytest.mark.parametrize(
    ("value", "moment", "bare"),
    [
        ("2026-05-04T06:10:00Z", datetime(2026, 5, 4, 6, 10, tzinfo=UTC), False),
        ("2026-05-04T08:10:00.000+02:00", datetime(2026, 5, 4, 6, 10, tzinfo=UTC), False),
        ("2026/05/04 06:10:00", datetime(2026, 5, 4, 6, 10, tzinfo=UTC), True),
        (datetime(2026, 5, 4, 6, 10), datetime(2026, 5, 4, 6, 10, tzinfo=UTC), True),
        ("", None, False),
        (None, None, False),
    ],
)
def test_moments(value: object, moment: datetime | None, bare: bool) -> None:
    assert values.moment(value) == (moment, bare)


@pytest.mark.parametrize("value", ["yesterday", "2026-13-01", "04.05.2026", "0001-01-01T00:00:00+14:00", 5])
def test_what_is_no_moment_is_refused(value: object) -> None:
    with pytest.raises(RowError, match="not a time like 2026-05-04T06:10:00Z"):
        values.moment(value)


@pytest.mark.parametrize(
    ("value", "text"),
    [(7.0, "7"), (7.5, "7.5"), (" a ", "a"), (None, ""), (float("nan"), ""), (b"x", "x"), (np.int64(3), "3")],
)
def test_text(value: object, text: str) -> None:
    assert values.text(value) == text


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (" Wiese\tam Hang\nbeim Bach\u200f ", "Wiese\tam Hang\nbeim Bach\u200f"),
        ("a\x1b[2J\x00\x9b", "a\ufffd[2J\ufffd\ufffd"),
        ("keep \u202etuo\u202c \u2066x\u2069", "keep \ufffdtuo\ufffd \ufffdx\ufffd"),
        (3.0, "3"),
    ],
)
def test_what_would_turn_or_order_is_not_shown(value: object, shown: str) -> None:
    """Or a name could turn the words of a warning that stands beside it."""
    assert values.shown(value) == shown
