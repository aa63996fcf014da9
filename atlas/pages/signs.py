"""The signs of the map, drawn once here: fills for closed ground, slope classes, and the legend's samples of them.

What is open stays bare, what is closed is loud; every sign is black on white and stays apart on a photocopy.
Sizes are millimetres on paper.
"""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from atlas.pages.picture_frame import n

# key → (tile width, tile height, turn in degrees, drawing), millimetres
_TILES: dict[str, tuple[float, float, int, str]] = {
    "on_foot": (
        5.2,
        5.6,
        0,
        '<path class="sign-line" d="M.5.9h2.4M.6.9v1.5M1.35.9v1.5M2.05.9v1.5M2.8.9v1.5'
        'M3.1 3.7h2.1M0 3.7h.3M3.2 3.7v1.5M3.95 3.7v1.5M4.65 3.7v1.5M.2 3.7v1.5"/>',
    ),
    "keep_out": (1.3, 1.3, 45, '<path class="sign-heavy" d="M0 .65h1.3M.65 0v1.3"/>'),
    "unsurveyed": (
        9.0,
        9.0,
        0,
        '<path class="sign-grey" d="M0 0h9v9h-9z"/>'
        '<path class="sign-mark-out" d="M2.6 3.2a2 2 0 1 1 2.9 1.7q-.9.5-.9 1.5M4.6 8v.1"/>'
        '<path class="sign-mark-in" d="M2.6 3.2a2 2 0 1 1 2.9 1.7q-.9.5-.9 1.5M4.6 8v.1"/>',
    ),
    # lines as close as this, or a few cells between two of them would look open
    "cut_off": (2.0, 2.0, 45, '<path class="sign-line" d="M0 1h2"/>'),
    "no_turn": (
        6.4,
        7.2,
        0,
        '<path class="sign-thin" d="M1.7 5.6v-2.4a1.5 1.5 0 0 1 3 0v1.6M.8 6.2l4.8-4.8"/>',
    ),
}


@dataclass(frozen=True)
class Swatch:
    """One line of the legend: a drawing and what it means (a key of `words`, or a ready label)."""

    drawing: Markup
    label: str


@dataclass(frozen=True)
class TileScale:
    """Units of the space a fill is used in for a millimetre on paper, across and down."""

    across: float
    down: float


ON_PAPER = TileScale(1.0, 1.0)


def tiles(prefix: str, scale: TileScale) -> Markup:
    """Pattern fills as SVG definitions, named `prefix` + key."""
    return Markup("".join(_pattern(prefix + key, scale, *tile) for key, tile in _TILES.items()))


def _pattern(name: str, scale: TileScale, width: float, height: float, turn: int, drawing: str) -> str:
    placed = f"scale({n(scale.across, 4)} {n(scale.down, 4)})" + (f" rotate({turn})" if turn else "")
    return (
        f'<pattern id="{name}" class="tile" width="{n(width, 2)}" height="{n(height, 2)}" '
        f'patternUnits="userSpaceOnUse" patternTransform="{placed}">{drawing}</pattern>'
    )


def class_tiles(prefix: str, scale: TileScale, classes: int) -> Markup:
    """Slope classes as one grey told apart by dot density: the first is bare, the last the densest."""
    out = []
    for index in range(1, classes):
        tile, radius = dot_tile(index, classes)
        dots = "".join(
            f'<circle cx="{n(tile * a, 3)}" cy="{n(tile * a, 3)}" r="{n(radius, 3)}"/>' for a in (0.25, 0.75)
        )
        out.append(_pattern(f"{prefix}{index}", scale, tile, tile, 0, dots))
    return Markup("".join(out))


def dot_tile(index: int, classes: int) -> tuple[float, float]:
    """Tile size and dot radius of a slope class, mm: inked share rises evenly to about two fifths."""
    share = 0.40 * index / max(1, classes - 1)
    radius = 0.30
    return (2 * 3.1416 * radius * radius / share) ** 0.5, radius


def fill_swatch(fill: str | None, extra: str = "") -> Markup:
    """A legend box with a pattern fill; `extra` is drawn over it (our own drawing, never a user's text)."""
    paint = f'fill="url(#{fill})"' if fill else 'class="bare"'
    return Markup(
        f'<svg class="swatch" viewBox="0 0 14 9" aria-hidden="true"><rect {paint} width="14" height="9"/>{extra}'
        '<rect class="swatch-edge" x=".2" y=".2" width="13.6" height="8.6"/></svg>'
    )


def line_swatch(drawing: str) -> Markup:
    """A legend box with a drawing of our own."""
    return Markup(f'<svg class="swatch" viewBox="0 0 14 9" aria-hidden="true">{drawing}</svg>')


PLUMB_MM, BOB_MM = 0.35, 1.3  # a stroke that shows straight down, and the bob at its lower end
UP_DOWN_SAMPLE = (
    f'<path class="plumb" stroke-width="{PLUMB_MM}" d="M3 1.6v4.6M7 1.6v4.6M11 1.6v4.6"/>'
    f'<path class="bob" stroke-width="{BOB_MM}" d="M3 6.6h0M7 6.6h0M11 6.6h0"/>'
)
_TEETH = "M.5 2.5l1.6 3.4 1.6-3.4 1.7 3.4 1.6-3.4 1.6 3.4 1.6-3.4 1.7 3.4 1.6-3.4z"
DROP_SAMPLE = f'<path class="drop-line" d="M.5 2.5h13"/><path class="teeth" d="{_TEETH}"/>'
UNKNOWN_EDGE_SAMPLE = f'<path class="drop-line unknown" d="M.5 2.5h13"/><path class="teeth unknown" d="{_TEETH}"/>'
TAG_SAMPLE = (
    '<rect class="tag-box" x="4.2" y="1.6" width="5.6" height="5.6"/>'
    '<text class="tag-number" x="7" y="5.9">1</text>'
)
KEEP_SAMPLE = '<path class="keep-line" d="M.5 4.5h13"/>'
WAY_IN_SAMPLE = (
    '<path class="way-posts" d="M4 1.2v4M10 1.2v4"/><path class="way-arrow" d="M7 8.4v-6M7 1.4l-1.9 2.6h3.8z"/>'
)
OUTLINE_SAMPLE = '<path class="outline" d="M.5 4.5h13"/>'
OWN_SAMPLE = (
    '<rect class="own-box" x="4.2" y="1.6" width="5.6" height="5.6"/>'
    '<text class="tag-number own-sign" x="7" y="5.9">A</text>'
)
HANDED_SAMPLE = (
    '<rect class="own-box handed" x="4.2" y="1.6" width="5.6" height="5.6"/>'
    '<text class="tag-number" x="7" y="5.9">A</text>'
)
