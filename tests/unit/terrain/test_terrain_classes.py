"""The class table: its edge rule belongs to the table, not to the code that uses it."""

from __future__ import annotations

import numpy as np
import pytest

from atlas.terrain.classes import UNKNOWN, ClassTable


def test_a_table_names_its_classes_from_nought_to_open_end() -> None:
    table = ClassTable((10.0, 20.0))
    spans = [(table.over_pct(k), table.upto_pct(k)) for k in range(table.count)]
    assert spans == [(0.0, 10.0), (10.0, 20.0), (20.0, None)]


def test_unknown_steepness_has_no_class() -> None:
    found = ClassTable().sort(np.array([[0.1, np.nan]]))
    assert found.dtype == np.uint8
    assert found.tolist() == [[0, UNKNOWN]]


@pytest.mark.parametrize(("edge", "expected"), [("lower", [0, 0, 1]), ("upper", [0, 1, 1])])
def test_a_value_on_a_break_goes_where_the_table_says(edge: str, expected: list[int]) -> None:
    table = ClassTable((35.0,), edge="lower" if edge == "lower" else "upper")
    assert table.sort(np.array([0.3499, 0.35, 0.3501])).tolist() == expected


def test_rounding_of_the_sum_does_not_move_a_value_off_its_break() -> None:
    steep = np.array([0.35 * (1 + 1e-12), 0.35 * (1 - 1e-12)])
    assert ClassTable((35.0,)).sort(steep).tolist() == [0, 0]
    assert ClassTable((35.0,), edge="upper").sort(steep).tolist() == [1, 1]
