"""Which words have room on a map: none may stand on another, on a marking's number or on a way in, or be cut."""

from __future__ import annotations

from shapely.affinity import rotate
from shapely.geometry import Polygon, box

from atlas.pages.picture_frame import Frame

OFF = " off-paper"  # class of a word that finds no room; a movable map may have some
TAIL = 0.2  # of a letter's height: what hangs below the foot of a word
SHARE = {"start": 0.0, "middle": 0.5, "end": 1.0}  # of a word's length, left of where it is anchored


class Room:
    """What is taken of a picture, in millimetres on paper from its north-west corner."""

    def __init__(self, frame: Frame) -> None:
        self._mm = frame.mm
        self._map = box(0.0, 0.0, frame.width / frame.mm, frame.height / frame.mm)
        self._taken: list[Polygon] = []

    def take(self, place: Polygon) -> None:
        """Something that stands there whatever else does."""
        self._taken.append(place)

    def fits(self, place: Polygon) -> bool:
        """Whether a word has room there; then it has taken it."""
        free = self._map.covers(place) and not any(place.intersects(t) for t in self._taken)
        if free:
            self._taken.append(place)
        return free

    def sign(self, x: float, y: float, half: float) -> Polygon:
        """A square about a place of the picture (its own units, metres), `half` its width in millimetres."""
        return box(x / self._mm - half, y / self._mm - half, x / self._mm + half, y / self._mm + half)

    def word(
        self, x: float, y: float, text: str, letter: float, high: float, *, right: float = 0.0, foot: float = 0.0,
        anchor: str = "start", turn: float = 0.0,
    ) -> Polygon:  # fmt: skip
        """What a word takes that is anchored `right` and `foot` millimetres from a place of the picture (its own
        units, metres), about which all is turned by `turn` degrees clockwise. `letter` is a letter's width, `high`
        its height, millimetres."""
        x, y, long = x / self._mm, y / self._mm, len(text) * letter
        west = x + right - SHARE[anchor] * long
        upright = box(west, y + foot - high, west + long, y + foot + TAIL * high)
        return rotate(upright, turn, origin=(x, y)) if turn else upright
