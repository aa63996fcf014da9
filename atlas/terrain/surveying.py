"""From heights to one field's terrain: the order in which the sums of this folder are made."""

from __future__ import annotations

import numpy as np
from shapely.geometry import MultiPolygon, Polygon

from atlas.grid import Heights
from atlas.settings import Settings
from atlas.terrain.classes import ClassTable
from atlas.terrain.contours import contours
from atlas.terrain.coverage import covered_fractions
from atlas.terrain.figures import SlopeFigures, TerrainSurvey
from atlas.terrain.patches import merge_small
from atlas.terrain.profile import steepest_profile
from atlas.terrain.shading import shade
from atlas.terrain.slope import horn
from atlas.terrain.statistics import slope_figures


def survey_terrain(shape: Polygon | MultiPolygon, heights: Heights, settings: Settings) -> TerrainSurvey:
    """Everything the pages show of one field's terrain. `shape` is valid and in the heights' CRS; `heights` reach
    at least one cell past it, or its edge cells have no slope."""
    grid = heights.grid
    gradient = horn(heights)
    covered = covered_fractions(shape, grid)
    table = ClassTable(settings.terrain.breaks_pct)
    classes = table.sort(gradient.steepness)
    merged = merge_small(classes, covered, grid, settings.terrain.min_patch_m2)
    figures = slope_figures(shape.area, heights, gradient, covered, classes, merged, table)
    relief = 0.0 if figures.min_m is None or figures.max_m is None else figures.max_m - figures.min_m
    return TerrainSurvey(
        grid=grid,
        z=heights.z,
        gradient=gradient,
        covered=covered.astype(np.float32),
        slope_class=classes,
        figures=figures,
        contours=contours(heights, shape, relief),
        shade=shade(gradient),
        profile=steepest_profile(heights, covered),
    )


def terrain_figures(shape: Polygon | MultiPolygon, heights: Heights, settings: Settings) -> SlopeFigures:
    """The figures alone, without what only the map needs."""
    gradient = horn(heights)
    covered = covered_fractions(shape, heights.grid)
    table = ClassTable(settings.terrain.breaks_pct)
    classes = table.sort(gradient.steepness)
    merged = merge_small(classes, covered, heights.grid, settings.terrain.min_patch_m2)
    return slope_figures(shape.area, heights, gradient, covered, classes, merged, table)
