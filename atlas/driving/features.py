"""Things on the ground that a marking's note names, so that a sentence can say "above the wall"."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

import numpy as np
import shapely

from atlas.driving.places import PlaceFrame, untranslated
from atlas.driving.records import TaggedHazard
from atlas.grid import Mask
from atlas.words import N_

NEAR_M = 12.0
LEVEL_WITH_M = 0.5
MOST_CELLS = 200  # looked at per patch; more would say the same

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


def named(hazard: TaggedHazard) -> str:
    """What the note calls the marked thing, from the fixed list; empty where it names nothing known."""
    for word in re.findall(r"[a-z]+", hazard.hazard.note.lower()):
        if word in NAMED:
            return NAMED[word]
    return ""


def place_by(
    mask: Mask, frame: PlaceFrame, hazards: Sequence[TaggedHazard], tr: Callable[[str], str] = untranslated
) -> str:
    """ "above the wall (tag 4)" where most of a patch lies close to one named marking; else empty.

    The patch is above what lies lower than its own mean height by more than half a metre.
    """
    rows, cols = np.nonzero(mask & np.isfinite(frame.z))
    if not rows.size:
        return ""
    some = np.linspace(0, rows.size - 1, min(rows.size, MOST_CELLS)).astype(np.int64)
    rows, cols = rows[some], cols[some]
    points = shapely.points(frame.grid.xs[cols], frame.grid.ys[rows])
    best, best_m, text = "", NEAR_M, ""
    for one in hazards:
        thing = named(one)
        apart = shapely.distance(points, one.hazard.shape)
        if thing and float(np.quantile(apart, 0.7)) <= best_m:
            best, best_m = thing, float(np.quantile(apart, 0.7))
            text = _side(float(frame.z[rows, cols].mean()), _height_of(one, frame))
            text = tr(text).format(thing=tr(best), tag=one.tag)
    return text


def _side(patch_m: float, thing_m: float) -> str:
    if patch_m > thing_m + LEVEL_WITH_M:
        return ABOVE
    return BELOW if patch_m < thing_m - LEVEL_WITH_M else BESIDE


def _height_of(one: TaggedHazard, frame: PlaceFrame) -> float:
    """Mean height of the ground under a marking; NaN where it lies on unmeasured ground."""
    at = shapely.get_coordinates(shapely.segmentize(one.hazard.shape, 2.0))
    rows = ((frame.grid.north - at[:, 1]) / frame.grid.cell_y).astype(np.int64)
    cols = ((at[:, 0] - frame.grid.west) / frame.grid.cell_x).astype(np.int64)
    inside = (rows >= 0) & (rows < frame.grid.rows) & (cols >= 0) & (cols < frame.grid.cols)
    heights = frame.z[rows[inside], cols[inside]]
    heights = heights[np.isfinite(heights)]
    return float(heights.mean()) if heights.size else float("nan")
