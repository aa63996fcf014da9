"""Where water runs over a terrain model and gathers: pits filled, directions, upslope area, wetness index."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from atlas.grid import Floats, Grid, Heights
from atlas.terrain.d8 import D_COL, D_ROW, Steepest
from atlas.terrain.figures import Gradient
from atlas.terrain.flow_kernel import accumulate, d_infinity, flood_from_rim

TINY_RISE = 1e-7  # metres per cell across a filled pit; far under any height's own error
LEAST_TAN = 0.01  # flatter ground counts as this steep, so that the index stays finite


@dataclass(frozen=True)
class Flow:
    """D-infinity flow on a grid, arrays (rows, cols).

    `angle` is the direction of flow, radians counter-clockwise from east, NaN at outlets; `gradient` the fall
    along it. `first` is the neighbour clockwise of the direction (as in `d8`, −1 none) and `share` the part of
    the flow it gets; the next neighbour counter-clockwise gets the rest.
    """

    grid: Grid
    angle: Floats
    gradient: Floats
    first: npt.NDArray[np.int8]
    share: Floats


def fill_pits(heights: Heights, rise: float = 0.0) -> Heights:
    """Heights with each pit raised to its lowest way out; water leaves at the window's rim and at gaps.

    `rise` metres are added from cell to cell over what was filled, so that it still drains.
    Source: priority flood, Barnes, Lehman and Mulla 2014, Computers & Geosciences 62 (from memory).
    """
    filled, _ = flood_from_rim(np.ascontiguousarray(heights.z, dtype=np.float64), rise)
    return Heights(heights.grid, filled)


def d8_accumulation(heights: Heights, steepest: Steepest) -> Floats:
    """Cells that drain through each cell by the steepest of eight neighbours, its own included, (rows, cols)."""
    valid = np.isfinite(heights.z)
    return accumulate(_downhill(heights), steepest.to, np.ones(heights.grid.shape), valid)


def flow_directions(heights: Heights) -> Flow:
    """D-infinity: the steepest way down over the eight triangles between neighbours.

    Source: Tarboton 1997, Water Resources Research 33(2):309–319 (from memory).
    """
    z = np.ascontiguousarray(heights.z, dtype=np.float64)
    return Flow(heights.grid, *d_infinity(z, heights.grid.cell_x, heights.grid.cell_y))


def accumulation(heights: Heights, flow: Flow) -> Floats:
    """Cells that drain through each cell, its own included, shared between two neighbours, (rows, cols)."""
    return accumulate(_downhill(heights), flow.first, flow.share, np.isfinite(heights.z))


def contour_width(flow: Flow) -> Floats:
    """Metres of contour that a cell's flow crosses, (rows, cols).

    A cell hands its flow on by the share-weighted mean of the steps to its two receivers. The area that drains
    through, divided by the cell's area over the part of that step that points down the slope, is then the distance
    from the top on a plane, whichever way it faces.
    """
    grid = flow.grid
    first = np.where(flow.first < 0, 0, flow.first)
    second = (first + 7) % 8
    east = (flow.share * D_COL[first] + (1 - flow.share) * D_COL[second]) * grid.cell_x
    north = -(flow.share * D_ROW[first] + (1 - flow.share) * D_ROW[second]) * grid.cell_y
    step = east * np.cos(flow.angle) + north * np.sin(flow.angle)
    width: Floats = grid.cell_area / np.where(flow.first < 0, np.sqrt(grid.cell_area), step)
    return width


def wetness_index(heights: Heights, gradient: Gradient) -> Floats:
    """ln(a / tan β), (rows, cols): a the upslope area per metre of contour, β the steepness of the ground.

    Pits are filled first. Horn's gradient counts, or the flow's own where Horn has none; ground flatter than 1 %
    counts as 1 %, so that flats stay finite. NaN without height. It ranks; it does not measure water.
    Source: Beven and Kirkby 1979, Hydrological Sciences Bulletin 24(1):43–69.
    """
    drained = fill_pits(heights, TINY_RISE)
    flow = flow_directions(drained)
    area = accumulation(drained, flow) * heights.grid.cell_area
    steep = gradient.steepness
    steep = np.where(np.isfinite(steep), steep, flow.gradient)
    index: Floats = np.log(area / contour_width(flow) / np.maximum(steep, LEAST_TAN))
    return index


def _downhill(heights: Heights) -> npt.NDArray[np.int64]:
    """Flat indices of the cells with a height, the highest first."""
    z = heights.z.ravel()
    known = np.flatnonzero(np.isfinite(z))
    order: npt.NDArray[np.int64] = known[np.argsort(-z[known], kind="stable")]
    return order
