"""Where field names stand on the overview map without covering each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from atlas.pages.overview_hatch import Spot

TEXT_MM = 2.7  # letters about 1.9 mm high: read at arm's length
LETTER_MM = 0.56 * TEXT_MM  # mean advance of a sans face (measured on the page's own font)
LINE_MM = 3.0
SIGN_MM = 1.8  # half a gate's sign
# Offsets tried in turn, in label heights: where the field's middle is, then below, above, further off.
TRIES = (0.0, 0.5, -0.5, 1.0, -1.0, 1.5, -1.5, 2.0, -2.0, 2.5, -2.5)


@dataclass(frozen=True)
class Wanted:
    """A label to place: its number, its name, and the field's middle in millimetres."""

    number: int
    name: str
    x: float
    y: float


@dataclass(frozen=True)
class Label:
    """Where a label's first line is centred; `named` is False where only the number found room."""

    x: float
    y: float
    named: bool


@dataclass(frozen=True)
class _Box:
    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: _Box) -> bool:
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )


def place_labels(
    wanted: Sequence[Wanted], width_mm: float, height_mm: float, signs: Sequence[Spot] = ()
) -> list[Label]:
    """Greedy, in order: number and name where they fit beside each other and the signs, else the number alone
    (the list has the name)."""
    taken = [_Box(s.x - SIGN_MM, s.y - SIGN_MM, s.x + SIGN_MM, s.y + SIGN_MM) for s in signs]
    placed = []
    for want in wanted:
        full = len(f"{want.number} {want.name}") * LETTER_MM
        number = len(str(want.number)) * LETTER_MM
        spot = _find(want, full, 2 * LINE_MM, taken, width_mm, height_mm)
        named = spot is not None
        if spot is None:
            spot = _find(want, number, LINE_MM, taken, width_mm, height_mm) or Label(want.x, want.y, False)
        taken.append(_box(spot.x, spot.y, full if named else number, 2 * LINE_MM if named else LINE_MM))
        placed.append(Label(spot.x, spot.y, named))
    return placed


def _find(want: Wanted, wide: float, high: float, taken: list[_Box], width: float, height: float) -> Label | None:
    x = min(max(want.x, wide / 2 + 1), max(wide / 2 + 1, width - wide / 2 - 1))
    for shift in TRIES:
        y = min(max(want.y + shift * LINE_MM, LINE_MM + 1), height - high)
        box = _box(x, y, wide, high)
        if not any(box.meets(t) for t in taken):
            return Label(round(x, 2), round(y, 2), True)
    return None


def _box(x: float, y: float, wide: float, high: float) -> _Box:
    return _Box(x - wide / 2, y - LINE_MM, x + wide / 2, y - LINE_MM + high)
