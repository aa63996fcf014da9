"""Scenes for tests of the view from a way in: made terrain near a field, the same terrain coarser around it."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from made import METRIC, NORTH, WEST
from shapely.geometry import MultiPolygon, Polygon

from atlas.grid import Floats, Grid, Heights
from atlas.terrain.coverage import covered_fractions
from atlas.terrain.view import FieldCells, Scene, View, look

Land = Callable[[Floats, Floats], Floats]  # metres east and north of the field's middle to height


def scene_of(land: Land, half_m: float = 100.0, middle_m: float = 240.0, far_m: float = 700.0) -> Scene:
    """A scene around (WEST, NORTH): cells of 1, 2 and 8 m out to those distances from the middle."""
    levels = ((half_m, 1.0), (middle_m, 2.0), (far_m, 8.0))
    return Scene(*(_level(land, half, cell) for half, cell in levels))


def _level(land: Land, half: float, cell: float) -> Heights:
    size = round(2 * half / cell)
    grid = Grid(METRIC, WEST - half, NORTH + half, cell, cell, size, size)
    x, y = np.meshgrid(grid.xs - WEST, grid.ys - NORTH)
    return Heights(grid, np.broadcast_to(land(x, y), grid.shape).astype(np.float64))


def box_field(west: float, south: float, east: float, north: float) -> Polygon:
    """A rectangular field, metres from the middle."""
    return Polygon(
        [(WEST + x, NORTH + y) for x, y in ((west, south), (east, south), (east, north), (west, north))]
    )


def field_cells(scene: Scene, shape: Polygon | MultiPolygon) -> FieldCells:
    return FieldCells(scene.near.grid, covered_fractions(shape, scene.near.grid).astype(np.float32))


def seen_from(scene: Scene, shape: Polygon | MultiPolygon, east: float, north: float) -> View:
    """The view from a place that has one."""
    view = look(scene, WEST + east, NORTH + north, field_cells(scene, shape))
    assert view is not None
    return view


def angles_to(view: View, east: float, north: float, up: float) -> tuple[float, float]:
    """Column and row of a place (metres from the middle, height) from first principles: two arctangents."""
    lens = view.lens
    dx, dy = WEST + east - lens.x, NORTH + north - lens.y
    azimuth, rise = math.degrees(math.atan2(dx, dy)), math.degrees(math.atan2(up - lens.z, math.hypot(dx, dy)))
    turn = (azimuth - lens.middle_deg + 540.0) % 360.0 - 180.0
    pixel = lens.wide_deg / lens.cols
    return lens.cols / 2 + turn / pixel, (lens.top_deg - rise) / pixel


def first_in_sight(view: View, land: Land, east: float, north: float) -> bool:
    """Whether a place on the ground is seen, by looking at the land itself every 5 cm on the way there."""
    lens = view.lens
    x0, y0 = lens.x - WEST, lens.y - NORTH
    d = math.hypot(east - x0, north - y0)
    share = np.arange(0.05, d - 0.3, 0.05) / d
    between = land(x0 + share * (east - x0), y0 + share * (north - y0))
    there = float(land(np.array([east]), np.array([north]))[0])
    return bool(np.all((between - lens.z) / (share * d) <= (there - lens.z) / d))


__all__ = ["angles_to", "box_field", "field_cells", "first_in_sight", "scene_of", "seen_from"]
