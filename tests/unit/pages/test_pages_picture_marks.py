"""Names of ways in stand beside each other, not on each other."""

from __future__ import annotations

import re
from itertools import combinations

from shapely.geometry import Point, Polygon, box

from atlas.farm.records import WayIn
from atlas.grid import Bounds
from atlas.pages.picture_frame import Frame
from atlas.pages.picture_marks import LETTER_MM, NAME_MM, ways_in_group

FRAME = Frame(Bounds(0.0, 0.0, 300.0, 200.0), 2000)  # two metres a millimetre
FIELD = box(20, 60, 280, 180)
SHARE = {"start": 0.0, "middle": 0.5, "end": 1.0}


def names(*ways: tuple[str, float, float]) -> list[Polygon]:
    """Where names stand, millimetres on the sheet."""
    group = ways_in_group(
        tuple(WayIn(name, name, None, None, False, "", Point(x, y)) for name, x, y in ways), FIELD, FRAME
    )
    found = re.findall(
        r'translate\((\S+) (\S+)\).*?class="way-name" y="(\S+)" text-anchor="(\w+)">([^<]*)<', str(group)
    )
    assert [name for *_, name in found] == [name for name, *_ in ways]
    out = []
    for x, y, foot, anchor, name in found:
        length = len(name) * LETTER_MM
        left, low = float(x) / FRAME.mm - SHARE[anchor] * length, float(y) / FRAME.mm + float(foot)
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
