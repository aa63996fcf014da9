"""Things on the ground that a marking's note names, so that a sentence can say "above the wall"."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from atlas.driving.places import PlaceFrame, untranslated
from atlas.driving.records import TaggedHazard
from atlas.grid import Floats, Mask
from atlas.words import N_

NEAR_M = 12.0
LEVEL_WITH_M = 0.5
MOST_OF_IT = 0.7

# words of a note, and what they name; the first that stands in the note wins
NAMED = {
    "wall": N_("the wall"),
    "spring": N_("the spring"),
    "quarry": N_("the quarry"),
    "crag": N_("the crag"),
    "cliff": N_("the cliff"),
    "stream": N_("the stream"),
    "brook": N_("the brook"),
    "gully": N_("the gully"),
    "ditch": N_("the ditch"),
    "pond": N_("the pond"),
    "road": N_("the road"),
    "track": N_("the track"),
    "barn": N_("the barn"),
    "boulder": N_("the boulder"),
    "bank": N_("the bank"),
}
ABOVE = N_("above {thing} (tag {tag})")
BELOW = N_("below {thing} (tag {tag})")
BESIDE = N_("beside {thing} (tag {tag})")


@dataclass(frozen=True)
class Things:
    """The named things of one field: what each is called, its tag, the mean height of the ground under it (NaN
    where unmeasured), and which of the field's cells lie near it, (things, cells)."""

    names: tuple[str, ...]
    tags: tuple[int, ...]
    heights: tuple[float, ...]
    near: Mask


def named(hazard: TaggedHazard) -> str:
    """What the note calls the marked thing, from the fixed list; empty where it names nothing known."""
    for word in re.findall(r"[a-z]+", hazard.hazard.note.lower()):
        if word in NAMED:
            return NAMED[word]
    return ""


def things(frame: PlaceFrame, z: Floats, hazards: Sequence[TaggedHazard]) -> Things:
    """The named things among a field's markings; `z` is (rows, cols)."""
    known = [one for one in hazards if named(one)]
    near = np.zeros((len(known), frame.cells.size), dtype=np.bool_)
    xs, ys = frame.grid.xs[frame.cells % frame.grid.cols], frame.grid.ys[frame.cells // frame.grid.cols]
    for flags, one in zip(near, known, strict=True):
        west, south, east, north = shapely.buffer(one.hazard.shape, NEAR_M).bounds
        box = np.flatnonzero((xs > west) & (xs < east) & (ys > south) & (ys < north))
        shapely.prepare(one.hazard.shape)
        flags[box] = shapely.dwithin(one.hazard.shape, shapely.points(xs[box], ys[box]), NEAR_M)
    return Things(
        tuple(named(one) for one in known),
        tuple(one.tag for one in known),
        tuple(_height_of(one, frame, z) for one in known),
        near,
    )


def place_by(
    near_shares: Floats,
    mean_height: float,
    among: Things,
    tr: Callable[[str], str] = untranslated,
    *,
    never_below: bool = False,
) -> str:
    """`above the wall (tag 4)` where most of a patch lies close to one named thing; else empty.

    `near_shares` is the share of the patch near each thing, (things,). The patch is above what lies lower than
    its own mean height by more than half a metre, below what lies as much higher, else beside it.
    """
    if not near_shares.size or near_shares.max() < MOST_OF_IT:
        return ""
    i = int(np.argmax(near_shares))
    side = BESIDE
    if mean_height > among.heights[i] + LEVEL_WITH_M:
        side = ABOVE
    elif mean_height < among.heights[i] - LEVEL_WITH_M:
        if never_below:  # the drop is not that thing's: nobody stands below what they fall from
            return ""
        side = BELOW
    return tr(side).format(thing=tr(among.names[i]), tag=among.tags[i])


def _height_of(one: TaggedHazard, frame: PlaceFrame, z: Floats) -> float:
    grid = frame.grid
    at = shapely.get_coordinates(shapely.segmentize(one.hazard.shape, 2.0))
    rows = np.floor((grid.north - at[:, 1]) / grid.cell_y).astype(np.int64)
    cols = np.floor((at[:, 0] - grid.west) / grid.cell_x).astype(np.int64)
    inside = (rows >= 0) & (rows < grid.rows) & (cols >= 0) & (cols < grid.cols)
    heights = z[rows[inside], cols[inside]]
    heights = heights[np.isfinite(heights)]
    return float(heights.mean()) if heights.size else float("nan")
