"""The figures of one field: how much lies in each class, how steep, how high, which way it faces."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from atlas.grid import Bytes, Floats, Heights
from atlas.terrain.classes import UNKNOWN, ClassTable
from atlas.terrain.figures import Gradient, SlopeClass, SlopeFigures
from atlas.terrain.statistics_kernel import tally as tally_kernel

COUNTS_FROM = 0.01  # covered share from which a cell counts in mean, maximum and percentile
FACES_FROM = 0.01  # mean downslope gradient under which a field faces nowhere


@dataclass(frozen=True)
class Tally:
    """What is counted over a field's cells. Sums are in covered cells, gradients rise over run, heights metres.

    `low` and `high` are infinite, `p95` is NaN and `weight` 0 where nothing is measured.
    """

    classes: Bytes  # (rows, cols), UNKNOWN where there is no slope
    per_class: Floats  # covered cells per class, unsurveyed last
    surface: float
    low: float
    high: float
    weight: float  # of the cells that count: covered at least 1 %, with a slope
    sum_steep: float
    sum_gx: float
    sum_gy: float
    p95: float
    top: float


def tally(heights: Heights, gradient: Gradient, covered: Floats, table: ClassTable) -> Tally:
    """Count over one field; arrays are (rows, cols) on the heights' grid."""
    z = np.ascontiguousarray(heights.z, dtype=np.float64)
    classes = np.empty(z.shape, dtype=np.uint8)
    per_class, sums = tally_kernel(gradient.gx, gradient.gy, z, covered, table.limits, COUNTS_FROM, classes)
    return Tally(classes, per_class, *(float(value) for value in sums))


def tally_plain(heights: Heights, gradient: Gradient, covered: Floats, table: ClassTable) -> Tally:
    """The same in whole arrays, to hold the kernel to."""
    steep = gradient.steepness
    classes = table.sort(steep)
    field = covered > 0
    known = field & (classes != UNKNOWN)
    counted = known & (covered >= COUNTS_FROM)
    g, w = steep[counted], covered[counted]
    high = heights.z[(covered >= COUNTS_FROM) & np.isfinite(heights.z)]
    order = np.argsort(g, kind="stable")
    running = np.cumsum(w[order])
    p95 = g[order][np.searchsorted(running, 0.95 * w.sum() * (1 - 1e-11))] if g.size else np.nan
    per_class = [covered[field & (classes == k)].sum() for k in (*range(table.count), UNKNOWN)]
    return Tally(
        classes=classes,
        per_class=np.array(per_class),
        surface=float((covered[known] * np.sqrt(1 + steep[known] ** 2)).sum()),
        low=float(high.min(initial=np.inf)),
        high=float(high.max(initial=-np.inf)),
        weight=float(w.sum()),
        sum_steep=float((g * w).sum()),
        sum_gx=float((gradient.gx[counted] * w).sum()),
        sum_gy=float((gradient.gy[counted] * w).sum()),
        p95=float(p95),
        top=float(g.max(initial=0.0)),
    )


def figures_of(
    counted: Tally, merged_cells: Floats, table: ClassTable, area_m2: float, beyond_m2: float, cell_m2: float
) -> SlopeFigures:
    """Figures in metres and percent. `area_m2` is the field's own area, `beyond_m2` what lies off the grid,
    `merged_cells` the covered cells per class after small patches were merged. The surface is that of the measured
    part; elevation, mean, percentile and maximum are None where nothing is measured."""
    measured = counted.weight > 0
    return SlopeFigures(
        area_m2=area_m2,
        surface_m2=counted.surface * cell_m2,
        min_m=counted.low if math.isfinite(counted.low) else None,
        max_m=counted.high if math.isfinite(counted.high) else None,
        mean_pct=100 * counted.sum_steep / counted.weight if measured else None,
        p95_pct=100 * counted.p95 if measured else None,
        max_pct=100 * counted.top if measured else None,
        unsurveyed_m2=float(counted.per_class[-1]) * cell_m2 + beyond_m2,
        classes=tuple(
            SlopeClass(
                table.over_pct(k),
                table.upto_pct(k),
                float(counted.per_class[k]) * cell_m2,
                float(merged_cells[k]) * cell_m2,
            )
            for k in range(table.count)
        ),
        faces_deg=facing(counted),
    )


def facing(counted: Tally) -> float | None:
    """Mean downslope direction, degrees clockwise from grid north; None where the ground is level on the whole
    (the mean falls under 1 %, as on a plain, a round hill or a symmetrical ridge)."""
    if counted.weight == 0:
        return None
    east, north = -counted.sum_gx / counted.weight, -counted.sum_gy / counted.weight
    if math.hypot(east, north) < FACES_FROM:
        return None
    return math.degrees(math.atan2(east, north)) % 360.0
