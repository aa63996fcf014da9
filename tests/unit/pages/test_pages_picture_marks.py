"""Names and coordinates stand beside each other, not on each other."""

from __future__ import annotations

import re
from itertools import combinations

from shapely.geometry import Point, Polygon, box

from atlas.farm.records import WayIn
from atlas.grid import Bounds
from atlas.pages.picture_frame import Frame
from atlas.pages.picture_grid import grid_marks
from atlas.pages.picture_marks import LETTER_MM, NAME_MM, ways_in_group
from atlas.pages.picture_room import Room
from atlas.paper.pictures import paper_picture

FRAME = Frame(Bounds(0.0, 0.0, 300.0, 200.0), 2000)  # two metres a millimetre
FIELD = box(20, 60, 280, 180)
SHARE = {"start": 0.0, "middle": 0.5, "end": 1.0}


def names(*ways: tuple[str, float, float]) -> list[Polygon]:
    """Where names stand, millimetres on the sheet."""
    group = ways_in_group(
        tuple(WayIn(name, name, None, None, False, "", Point(x, y)) for name, x, y in ways), FIELD, FRAME,
        Room(FRAME),
    )  # fmt: skip
    found = re.findall(
        r'translate\((\S+) (\S+)\).*?class="way-name" x="(\S+)" y="(\S+)" text-anchor="(\w+)">([^<]*)<', str(group)
    )
    assert [name for *_, name in found] == [name for name, *_ in ways]
    out = []
    for x, y, right, foot, anchor, name in found:
        length = len(name) * LETTER_MM
        left = float(x) / FRAME.mm + float(right) - SHARE[anchor] * length
        low = float(y) / FRAME.mm + float(foot)
        out.append(box(left, low - NAME_MM, left + length, low))
    return out


def test_a_lone_name_stands_behind_its_arrow() -> None:
    (below,) = names(("gate", 150, 50))
    assert below.bounds[1] > (200 - 50) / 2
    (above,) = names(("gate", 150, 190))
    assert above.bounds[1] > 0


def test_names_of_ways_close_to_each_other_stand_apart() -> None:
    for dx in (2, 15, 40):
        for dy in (-30, -12, 0, 12):
            placed = names(("gate", 120, 45), ("gate on the shady road", 120 + dx, 45 + dy))
            assert not any(a.intersects(b) for a, b in combinations(placed, 2)), (dx, dy)


def test_three_at_one_place_stand_apart_and_inside_the_map() -> None:
    placed = names(("upper gate", 150, 55), ("lower gate", 152, 55), ("ramp", 154, 55))
    assert not any(a.intersects(b) for a, b in combinations(placed, 2))
    assert all(box(0, 0, 150, 100).covers(p) for p in placed)


def test_a_name_that_finds_no_room_is_there_all_the_same() -> None:
    assert len(names(*[(f"gate {i}", 150.0, 55.0) for i in range(6)])) == 6


def coordinates(room: Room) -> dict[str, tuple[float, float]]:
    """Class and text → where it is anchored, millimetres on the sheet."""
    found = re.findall(
        r'translate\((\S+) (\S+)\)[^<]*<g class="mark"><text class="coordinate (.*?)" x="(\S+)" y="(\S+)">(.*?)<',
        str(grid_marks(FRAME, room)),
    )
    return {
        f"{name} {text}": (float(x) / FRAME.mm + float(right), float(y) / FRAME.mm + float(foot))
        for x, y, name, right, foot, text in found
    }


def test_a_coordinate_gives_way_to_a_word_and_stands_at_the_other_end_of_its_line() -> None:
    free = coordinates(Room(FRAME))
    assert set(free) == {"east 100", "east 200", "north 100"}
    room = Room(FRAME)
    room.take(box(99, 1, 103, 3))  # a word under the tick of 200 m east
    room.take(box(0, 49, 10, 51))  # and one beside that of 100 m north
    moved = coordinates(room)
    assert moved["east 100"] == free["east 100"]
    assert free["east 200"] == (100.6, 3.6)
    assert moved["east 200"][0] == 100.6
    assert 96 < moved["east 200"][1] < 100
    assert free["north 100"] == (1.9, 50.7)
    assert 140 < moved["north 100"][0] < 150
    assert moved["north 100"][1] == 50.7


def test_a_coordinate_without_room_at_either_end_is_left_off_paper_with_its_white_ground() -> None:
    def crowded() -> Room:
        room = Room(FRAME)
        room.take(box(99, 0, 103, 5))
        room.take(box(99, 95, 103, 100))
        return room

    assert set(coordinates(crowded())) == {"east 100", "east off-paper 200", "north 100"}
    size = 'viewBox="0 0 300 200" width="150mm" height="100mm"'
    paper = paper_picture(f'<svg class="picture" {size}>{grid_marks(FRAME, crowded())}</svg>')
    assert re.findall(r">(\d+)</", paper) == ["100", "100"]
    assert paper.count('fill-opacity="0.85"') == 2
