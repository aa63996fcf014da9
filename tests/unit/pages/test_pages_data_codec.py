"""What travels to the page comes back as it was."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from atlas.grid import Bytes, Floats
from atlas.pages.data_codec import (
    pack,
    pack_heights,
    pack_wide,
    unpack,
    unpack_heights,
    unpack_wide,
    verdict_table,
)


@given(st.binary(max_size=4000))
def test_bytes_come_back(data: bytes) -> None:
    assert unpack(pack(data)) == data


@given(arrays(np.int64, st.integers(0, 200), elements=st.integers(0, (1 << 31) - 1)))
def test_wide_numbers_come_back(values: np.ndarray) -> None:
    assert np.array_equal(unpack_wide(pack_wide(values)), values)


@pytest.mark.parametrize("value", [-1, 1 << 31])
def test_a_number_that_does_not_fit_is_refused(value: int) -> None:
    with pytest.raises(ValueError, match="outside 0 to 2 147 483 647"):
        pack_wide(np.array([0, value]))


@given(
    arrays(
        np.uint8, st.tuples(st.integers(1, 6), st.integers(1, 7), st.integers(1, 7)), elements=st.integers(0, 4)
    )
)
@settings(deadline=None)
def test_every_choice_keeps_its_verdicts(zone: Bytes) -> None:
    reason, flags = (zone * 37 + 3).astype(np.uint8), (zone % 3).astype(np.uint8)
    table = verdict_table(zone, reason, flags)
    symbols = np.array(table.symbols)
    for choice in range(len(zone)):
        back = symbols[table.rows[table.index, choice]]
        for part, of in enumerate((zone, reason, flags)):
            assert np.array_equal(back[..., part], of[choice])


@given(
    arrays(
        np.uint8, st.tuples(st.integers(1, 6), st.integers(1, 7), st.integers(1, 7)), elements=st.integers(0, 3)
    )
)
@settings(deadline=None)
def test_rows_and_symbols_are_those_of_a_plain_sort(zone: Bytes) -> None:
    zone = np.concatenate([zone, zone[:1]])  # a choice that says what an earlier one said
    reason, flags = (zone * 91 % 7).astype(np.uint8), (zone % 2).astype(np.uint8)
    table = verdict_table(zone, reason, flags)
    codes = (zone.astype(int) << 16 | reason.astype(int) << 8 | flags).reshape(len(zone), -1)
    found, symbol = np.unique(codes, return_inverse=True)
    rows, index = np.unique(symbol.reshape(codes.shape).T, axis=0, return_inverse=True)
    assert [z << 16 | r << 8 | f for z, r, f in table.symbols] == found.tolist()
    assert np.array_equal(table.rows, rows)
    assert np.array_equal(table.index.ravel(), index.ravel())


def test_choices_that_agree_share_their_rows() -> None:
    zone = np.repeat(np.random.default_rng(1).integers(0, 5, (1, 30, 30)).astype(np.uint8), 50, axis=0)
    assert len(verdict_table(zone, zone, zone * 0).rows) == 5


def test_more_verdicts_than_a_byte_holds_are_refused() -> None:
    many = np.arange(300).reshape(1, 15, 20)
    with pytest.raises(ValueError, match="300 distinct verdicts"):
        verdict_table((many // 100).astype(np.uint8), (many % 100).astype(np.uint8), np.zeros_like(many, np.uint8))


heights = arrays(
    np.float64,
    st.tuples(st.integers(1, 12), st.integers(1, 12)),
    elements=st.one_of(st.floats(-420, 4800), st.just(np.nan)),
)


@given(heights)
@settings(deadline=None)
def test_heights_come_back_to_half_a_millimetre(z: Floats) -> None:
    text, low = pack_heights(z, np.ones(z.shape, dtype=np.bool_))
    back = unpack_heights(text, low, z.shape)
    assert np.array_equal(np.isnan(back), np.isnan(z))
    assert np.nanmax(np.abs(back - z), initial=0.0) <= 0.0005 + 1e-9


def test_heights_nobody_asked_for_stay_behind() -> None:
    z = np.arange(12.0).reshape(3, 4)
    wanted = np.zeros((3, 4), dtype=np.bool_)
    wanted[1, 1:3] = True
    back = unpack_heights(*pack_heights(z, wanted), (3, 4))
    assert np.array_equal(~np.isnan(back), wanted)


def test_damaged_data_is_noticed() -> None:
    text = pack(b"verdicts of a field" * 40)
    with pytest.raises(Exception, match=r"incorrect data check|invalid|incomplete"):
        unpack(text[:-8] + "AAAAAAA=")
