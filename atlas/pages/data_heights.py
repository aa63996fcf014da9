"""The heights a sheet carries, so that a tap tells how a machine would stand there, to the numbers of the sums."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from atlas.grid import CellWindow, Mask
from atlas.pages.context import PageContext
from atlas.pages.data_cells import PageCells
from atlas.pages.data_codec import pack_heights
from atlas.survey import FieldSurvey


def heights_data(survey: FieldSurvey, ctx: PageContext, cells: PageCells) -> dict[str, Any]:
    """Heights in millimetres on the terrain's own cells, for all ground a machine in the field may stand on.

    `row`, `col` is where page cell (0, 0) begins in them; `per_row`, `per_col` terrain cells make a page cell.
    """
    grid = survey.terrain.grid
    far = max(math.hypot(m.track_m, m.wheelbase_m) for m in ctx.rig.machines.values()) / 2
    down, across = (math.ceil(far / size) + 1 for size in (grid.cell_y, grid.cell_x))
    window = _window(cells, down, across, grid.rows, grid.cols)
    part = np.s_[window.row : window.row + window.rows, window.col : window.col + window.cols]
    wanted = _grown(survey.terrain.covered[part] > 0, down, across)
    text, low = pack_heights(survey.terrain.z[part], wanted)
    return {
        "rows": window.rows, "cols": window.cols, "row": cells.row - window.row, "col": cells.col - window.col,
        "per_row": cells.per_row, "per_col": cells.per_col, "x": grid.cell_x, "y": grid.cell_y,
        "low": low, "data": text,
    }  # fmt: skip


def _window(cells: PageCells, down: int, across: int, rows: int, cols: int) -> CellWindow:
    top, left = max(0, cells.row - down), max(0, cells.col - across)
    end = min(rows, cells.row + cells.rows * cells.per_row + down)
    right = min(cols, cells.col + cells.cols * cells.per_col + across)
    return CellWindow(top, left, end - top, right - left)


def _grown(mask: Mask, down: int, across: int) -> Mask:
    """The mask and every cell within so many rows and columns of it."""
    out = mask.copy()
    for k in range(1, down + 1):
        out[k:] |= mask[:-k]
        out[:-k] |= mask[k:]
    wide = out.copy()
    for k in range(1, across + 1):
        wide[:, k:] |= out[:, :-k]
        wide[:, :-k] |= out[:, k:]
    return wide
