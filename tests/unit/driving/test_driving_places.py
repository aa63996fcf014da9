"""Places in words: simple fields whose answer anyone would give."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import irregular, make_grid
from made import ridge as made_ridge
from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from atlas.driving import place_names as names
from atlas.driving.places import place_frame, place_words
from atlas.grid import Floats, Mask

FIELD = box(0, 0, 200, 100)
SQUARE = box(0, 0, 120, 120)

CASES = [
    (box(0, 90, 200, 100), "along the north edge"),
    (box(0, 0, 14, 100), "along the west edge"),
    (LineString([(0, 0), (200, 0)]), "along the south edge"),
    (LineString([(199, 5), (199, 95)]), "along the east edge"),
    (LineString([(95, 99), (110, 99)]), "at the north edge"),
    (Point(100, 3), "at the south edge"),
    (Point(100, -4), "at the south edge"),
    (Point(5, 50), "at the west edge"),
    (box(0, 80, 30, 100), "in the north-west corner"),
    (box(160, 0, 200, 30), "in the south-east corner"),
    (Point(195, 97), "in the north-east corner"),
    (Point(100, 50), "in the middle"),
    (box(80, 40, 120, 60), "in the middle"),
    (box(0, 0, 70, 100), "in the west"),
    (box(130, 0, 200, 100), "in the east"),
    (LineString([(100, 0), (100, 100)]), "right across from north to south"),
    (LineString([(0, 50), (200, 50)]), "right across from east to west"),
    (FIELD.difference(FIELD.buffer(-8)), "all round the edge"),
    (box(0, 0, 200, 70), "over most of the field"),
    (FIELD, "nearly everywhere"),
    (MultiPolygon([box(0, 0, 30, 30), box(165, 75, 195, 97)]), "in the south-west and in the north-east"),
]


@pytest.mark.parametrize(("shape", "told"), CASES)
def test_words_for_places_in_a_rectangle(shape: BaseGeometry, told: str) -> None:
    assert place_words(shape, FIELD) == told


IN_TWO = MultiPolygon([box(0, 0, 90, 60), box(120, 160, 270, 260)])
HOOK = Polygon([(0, 0), (160, 0), (160, 20), (30, 20), (30, 180), (0, 180)])


@pytest.mark.parametrize(
    ("field", "x", "y", "told"),
    [
        (FIELD, 30, 100, "in the north-west corner"),
        (FIELD, 100, 0, "at the south edge"),
        (IN_TWO, 90, 30, "at the east edge"),
        (IN_TWO, 195, 160, "at the south edge"),
        (IN_TWO, 120, 210, "at the west edge"),
        (HOOK, 30, 100, "at the east edge"),
        (HOOK, 15, 180, "in the north-west corner"),
    ],
)
def test_a_gate_is_told_by_the_edge_it_is_in(field: Polygon | MultiPolygon, x: float, y: float, told: str) -> None:
    """Not by where it lies from the middle of the field, which may be in another part or round a corner."""
    assert place_words(Point(x, y), field) == told


TURNED = {"north": "west", "west": "south", "south": "east", "east": "north"}


def turned(words: str) -> str:
    """What the words become when everything turns a quarter counter-clockwise; north or south comes first."""
    out = [TURNED.get(part, part) for part in words.replace("-", " - ").split(" ")]
    for i in range(len(out) - 2):
        if out[i + 1] == "-" and out[i] in ("east", "west"):
            out[i], out[i + 2] = out[i + 2], out[i]
    return " ".join(out).replace(" - ", "-")


@pytest.mark.parametrize(("shape", "told"), [c for c in CASES if "across" not in c[1] and " and " not in c[1]])
@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turning_the_field_turns_the_words(shape: BaseGeometry, told: str, turns: int) -> None:
    field = affinity.rotate(FIELD, 90 * turns, origin=(0, 0))
    assert isinstance(field, Polygon)
    for _ in range(turns):
        told = turned(told)
    assert place_words(affinity.rotate(shape, 90 * turns, origin=(0, 0)), field) == told


def test_a_strip_across_the_map_has_slanting_edges() -> None:
    field = affinity.rotate(box(0, 0, 240, 50), 45, origin=(0, 0))
    side = affinity.rotate(LineString([(5, 49), (235, 49)]), 45, origin=(0, 0))
    assert isinstance(field, Polygon)
    assert place_words(side, field) == "along the north-west edge"


def framed(mask_of: tuple[slice, slice | Mask], z: Floats | None = None) -> str:
    grid = make_grid(120, 120)
    covered = np.ones(grid.shape, dtype=np.float32)
    b = grid.bounds
    heights: Floats = np.zeros(grid.shape) if z is None else z
    frame = place_frame(box(b.west, b.south, b.east, b.north), grid, covered, heights)
    mask = np.zeros(grid.shape, dtype=np.bool_)
    mask[mask_of] = True
    return frame.words(frame.spread(mask))


@pytest.mark.parametrize(
    ("where", "told"),
    [
        ((slice(0, 12), slice(0, 120)), "along the north edge"),
        ((slice(100, 120), slice(0, 20)), "in the south-west corner"),
        ((slice(45, 75), slice(45, 75)), "in the middle"),
        ((slice(0, 120), slice(0, 120)), "nearly everywhere"),
        ((slice(0, 120), slice(70, 120)), "in the east"),
        ((slice(0, 120, 12), slice(0, 120, 12)), "in several places"),
    ],
)
def test_cells_get_the_same_words(where: tuple[slice, slice], told: str) -> None:
    assert framed(where) == told


def test_upper_and_lower_ground_of_a_field_over_a_ridge() -> None:
    ridge = made_ridge(0.2, make_grid(120, 120)).z
    assert framed((slice(0, 120), slice(42, 78)), ridge) == names.UPPER
    both_feet = np.abs(np.arange(120) - 59.5) > 42
    assert framed((slice(0, 120), both_feet), ridge) == names.LOWER


def test_a_flat_field_has_no_upper_part() -> None:
    rows = np.arange(120.0)[:, None] * np.ones(120)
    assert framed((slice(30, 70), slice(0, 120)), 500 + rows * 0.01) not in (names.UPPER, names.LOWER)


@given(seed=st.integers(0, 2_000), parts=st.integers(1, 2), holes=st.integers(0, 2))
@settings(max_examples=25, deadline=None)
def test_any_patch_of_any_field_gets_words_from_the_list(seed: int, parts: int, holes: int) -> None:
    grid = make_grid(160, 260)
    field = irregular(seed, grid, 0.6, holes, parts, (0.25, 0.5))
    other = irregular(seed + 1, grid, 0.1, 0, 1, (0.3, 0.5))
    words = place_words(other, field)
    assert all(part in names.PHRASES for part in words.split(" and "))


def test_words_can_be_translated() -> None:
    assert place_words(Point(100, 50), FIELD, {"in the middle": "in der Mitte"}.__getitem__) == "in der Mitte"


def test_an_area_that_shrinks_to_a_sliver_still_gets_words() -> None:
    assert place_words(box(50, 99.99, 150, 100), FIELD) == "along the north edge"


def test_each_square_corner_is_named() -> None:
    corners = {"north-west": (4, 116), "north-east": (116, 116), "south-west": (4, 4), "south-east": (116, 4)}
    for name, (x, y) in corners.items():
        assert place_words(Point(x, y), SQUARE) == f"in the {name} corner"
