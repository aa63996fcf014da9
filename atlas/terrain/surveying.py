"""From heights to one field's terrain: the order in which the sums of this folder are made."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from atlas.grid import Bytes, Floats, Grid, Heights
from atlas.settings import Settings
from atlas.terrain.classes import ClassTable
from atlas.terrain.contours import contours
from atlas.terrain.coverage import covered_fractions
from atlas.terrain.figures import Gradient, SlopeFigures, TerrainSurvey
from atlas.terrain.patches import merge_small
from atlas.terrain.profile import steepest_profile
from atlas.terrain.shading import shade
from atlas.terrain.slope import horn
from atlas.terrain.statistics import figures_of, tally
from atlas.terrain.statistics_kernel import covered_per_class


def survey_terrain(shape: Polygon | MultiPolygon, heights: Heights, settings: Settings) -> TerrainSurvey:
    """Everything the pages show of one field's terrain. `shape` is valid and in the heights' CRS; `heights` reach
    at least one cell past it, or its edge cells have no slope."""
    gradient = horn(heights)
    covered = covered_fractions(shape, heights.grid)
    figures, classes = _figures(shape, heights, gradient, covered, settings)
    relief = 0.0 if figures.min_m is None or figures.max_m is None else figures.max_m - figures.min_m
    return TerrainSurvey(
        grid=heights.grid,
        z=heights.z,
        gradient=gradient,
        covered=covered.astype(np.float32),
        slope_class=classes,
        figures=figures,
        contours=contours(heights, shape, relief),
        shade=shade(gradient),
        profile=steepest_profile(heights, gradient, covered),
    )


def terrain_figures(shape: Polygon | MultiPolygon, heights: Heights, settings: Settings) -> SlopeFigures:
    """The figures alone, without what only the map needs; the same numbers as `survey_terrain`."""
    covered = covered_fractions(shape, heights.grid)
    return _figures(shape, heights, horn(heights), covered, settings)[0]


def _figures(
    shape: Polygon | MultiPolygon, heights: Heights, gradient: Gradient, covered: Floats, settings: Settings
) -> tuple[SlopeFigures, Bytes]:
    table = ClassTable(settings.terrain.breaks_pct)
    counted = tally(heights, gradient, covered, table)
    merged = merge_small(counted.classes, covered, heights.grid, settings.terrain.min_patch_m2)
    merged_cells = covered_per_class(merged, covered, table.count)
    beyond = _area_beyond(shape, heights.grid)
    area, cell = shape.area, heights.grid.cell_area
    return figures_of(counted, merged_cells, table, area, beyond, cell), counted.classes


def _area_beyond(shape: Polygon | MultiPolygon, grid: Grid) -> float:
    """What of a shape lies off the grid, m²: no heights there, so it counts as unsurveyed."""
    west, south, east, north = shape.bounds
    b = grid.bounds
    if b.west <= west and b.south <= south and east <= b.east and north <= b.north:
        return 0.0
    return float(shapely.difference(shape, shapely.box(b.west, b.south, b.east, b.north)).area)
