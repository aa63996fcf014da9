"""The order of a walk: nearest next and untying, held to their slow readings and to what they promise."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from atlas.driving.walk_kernel import Order, nearest_next, untie
from atlas.driving.walk_plain import nearest_next_plain, path_length, untie_plain
from atlas.grid import Floats

# whole metres: ties happen, and both readings must break them alike
PLACES = st.lists(
    st.tuples(st.integers(0, 60), st.integers(0, 60), st.integers(0, 2)), min_size=1, max_size=14, unique=True
)


def arrays(places: list[tuple[int, int, int]]) -> tuple[Floats, Floats, Order]:
    x, y, group = zip(*places, strict=True)
    return np.array(x, dtype=float), np.array(y, dtype=float), np.array(group, dtype=np.int64)


@settings(max_examples=200, deadline=None)
@given(PLACES)
def test_both_kernels_agree_with_their_slow_readings(places: list[tuple[int, int, int]]) -> None:
    x, y, group = arrays(places)
    start = int(np.argmin(group))
    order = nearest_next(x, y, group, start)
    assert order.tolist() == nearest_next_plain(x, y, group, start).tolist()
    assert untie(x, y, group, order).tolist() == untie_plain(x, y, group, order).tolist()


@settings(max_examples=200, deadline=None)
@given(PLACES)
def test_untying_never_lengthens_and_keeps_every_place_and_the_groups_in_order(
    places: list[tuple[int, int, int]],
) -> None:
    x, y, group = arrays(places)
    order = np.argsort(group, kind="stable")
    untied = untie(x, y, group, order)
    assert sorted(untied.tolist()) == list(range(len(places)))
    assert group[untied].tolist() == sorted(group.tolist())
    assert path_length(x, y, untied) <= path_length(x, y, order) + 1e-9


@settings(max_examples=60, deadline=None)
@given(PLACES)
def test_no_stretch_turned_round_would_shorten_what_comes_out(places: list[tuple[int, int, int]]) -> None:
    x, y, group = arrays(places)
    path = untie(x, y, group, np.argsort(group, kind="stable"))
    for i, j in itertools.combinations(range(path.size), 2):
        if group[path[i]] == group[path[j]]:
            turned = np.concatenate([path[:i], path[i : j + 1][::-1], path[j + 1 :]])
            assert path_length(x, y, path) <= path_length(x, y, turned) + 1e-5


@pytest.mark.parametrize("seed", range(5))
def test_places_on_a_line_come_in_order(seed: int) -> None:
    along = np.random.default_rng(seed).permutation(np.arange(12.0)) * 7.0
    x, y = 100.0 + along * 0.6, 200.0 + along * 0.8
    alike = np.zeros(12, dtype=np.int64)
    order = untie(x, y, alike, nearest_next(x, y, alike, int(np.argmin(along))))
    assert along[order].tolist() == sorted(along.tolist())


def test_a_crossing_is_untied() -> None:
    """A square walked corner to opposite corner: 2 sides and 2 diagonals become 3 sides."""
    x, y = np.array([0.0, 10.0, 10.0, 0.0]), np.array([0.0, 10.0, 0.0, 10.0])
    alike = np.zeros(4, dtype=np.int64)
    untied = untie(x, y, alike, np.arange(4, dtype=np.int64))
    assert path_length(x, y, untied) == pytest.approx(30.0)
