"""Where field names stand on the overview map without covering each other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from atlas.pages.overview_hatch import Spot

TEXT_MM = 2.7  # letters about 1.9 mm high: read at arm's length
LETTER_MM = 0.56 * TEXT_MM  # mean advance of a sans face (measured on the page's own font)
LINE_MM = 3.0
SIGN_MM = 1.8  # half a gate's sign
SQUARE_MM = 8.0
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
    """Where a label's first line is centred; `named` is False where only the number found room, `crowded` is True
    where not even that did."""

    x: float
    y: float
    named: bool
    crowded: bool = False


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


class _Taken:
    """Places that are taken, by squares of the sheet: thousands of labels need not be compared in pairs."""

    def __init__(self) -> None:
        self._squares: dict[tuple[int, int], list[_Box]] = defaultdict(list)

    def add(self, box: _Box) -> None:
        for square in _squares(box):
            self._squares[square].append(box)

    def free(self, box: _Box) -> bool:
        return not any(box.meets(other) for square in _squares(box) for other in self._squares.get(square, ()))


def place_labels(
    wanted: Sequence[Wanted], width_mm: float, height_mm: float, signs: Sequence[Spot] = ()
) -> list[Label]:
    """Greedy, in order: number and name where they fit beside each other and the signs, else the number alone,
    else nothing until the map is brought closer (the list has every name)."""
    taken = _Taken()
    for s in signs:
        taken.add(_Box(s.x - SIGN_MM, s.y - SIGN_MM, s.x + SIGN_MM, s.y + SIGN_MM))
    placed = []
    for want in wanted:
        full = len(f"{want.number} {want.name}") * LETTER_MM
        number = len(str(want.number)) * LETTER_MM
        fits = full <= width_mm - 2
        label = _find(want, full, 2 * LINE_MM, taken, width_mm, height_mm, named=True) if fits else None
        label = label or _find(want, number, LINE_MM, taken, width_mm, height_mm, named=False)
        placed.append(label or Label(round(want.x, 2), round(want.y, 2), named=False, crowded=True))
    return placed


def _find(
    want: Wanted, wide: float, high: float, taken: _Taken, width: float, height: float, *, named: bool
) -> Label | None:
    """The first free place of those tried; it is taken then."""
    x = min(max(want.x, wide / 2 + 1), max(wide / 2 + 1, width - wide / 2 - 1))
    for shift in TRIES:
        y = min(max(want.y + shift * LINE_MM, LINE_MM + 1), height - high)
        box = _box(x, y, wide, high)
        if taken.free(box):
            taken.add(box)
            return Label(round(x, 2), round(y, 2), named)
    return None


def _squares(box: _Box) -> Iterator[tuple[int, int]]:
    for x in range(int(box.left // SQUARE_MM), int(box.right // SQUARE_MM) + 1):
        for y in range(int(box.top // SQUARE_MM), int(box.bottom // SQUARE_MM) + 1):
            yield (x, y)


def _box(x: float, y: float, wide: float, high: float) -> _Box:
    return _Box(x - wide / 2, y - LINE_MM, x + wide / 2, y - LINE_MM + high)
