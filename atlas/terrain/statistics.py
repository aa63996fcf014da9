"""The figures of one field: how much lies in each class, how steep, how high, which way it faces."""

from __future__ import annotations

import math

import numpy as np

from atlas.grid import Bytes, Floats, Heights
from atlas.terrain.classes import UNKNOWN, ClassTable
from atlas.terrain.figures import Gradient, SlopeClass, SlopeFigures

COUNTS_FROM = 0.01  # covered share from which a cell counts in mean, maximum and percentile
FACES_FROM = 0.01  # mean downslope gradient under which a field faces nowhere


def slope_figures(
    area_m2: float,
    heights: Heights,
    gradient: Gradient,
    covered: Floats,
    classes: Bytes,
    merged: Bytes,
    table: ClassTable,
) -> SlopeFigures:
    """Figures of one field of horizontal area `area_m2`; arrays (rows, cols) on the heights' grid."""
    cell = heights.grid.cell_area
    known = (classes != UNKNOWN) & (covered > 0)
    weight = np.where(known, covered, 0.0)
    steep = gradient.steepness
    surface = float((weight[known] * np.sqrt(1 + steep[known] ** 2)).sum()) * cell
    counted = known & (covered >= COUNTS_FROM)
    g, w = steep[counted], covered[counted]
    high = heights.z[(covered >= COUNTS_FROM) & np.isfinite(heights.z)]
    beyond = max(0.0, area_m2 - float(covered.sum()) * cell)
    beyond = beyond if beyond > 1e-9 * area_m2 else 0.0
    unknown = float(covered[(classes == UNKNOWN) & (covered > 0)].sum()) * cell
    return SlopeFigures(
        area_m2=area_m2,
        surface_m2=surface,
        min_m=float(high.min()) if high.size else None,
        max_m=float(high.max()) if high.size else None,
        mean_pct=float((g * w).sum() / w.sum()) * 100 if g.size else None,
        p95_pct=100 * least_covering(g, w, 0.95) if g.size else None,
        max_pct=100 * float(g.max()) if g.size else None,
        unsurveyed_m2=unknown + beyond,
        classes=tuple(
            SlopeClass(
                table.over_pct(k),
                table.upto_pct(k),
                float(weight[classes == k].sum()) * cell,
                float(weight[merged == k].sum()) * cell,
            )
            for k in range(table.count)
        ),
        faces_deg=facing(gradient.gx[counted], gradient.gy[counted], w),
    )


def least_covering(values: Floats, weights: Floats, share: float) -> float:
    """The smallest value at or under which lies at least `share` of the weight."""
    order = np.argsort(values, kind="stable")
    running = np.cumsum(weights[order])
    at = int(np.searchsorted(running, share * running[-1] * (1 - 1e-12)))
    return float(values[order[min(at, order.size - 1)]])


def facing(gx: Floats, gy: Floats, weights: Floats) -> float | None:
    """Mean downslope direction, degrees clockwise from grid north; None where the ground is level on the whole."""
    total = float(weights.sum())
    if total == 0:
        return None
    east, north = -float((gx * weights).sum()) / total, -float((gy * weights).sum()) / total
    if math.hypot(east, north) < FACES_FROM:
        return None
    return math.degrees(math.atan2(east, north)) % 360.0
