"""Shapes as they are read: brought to the terrain's CRS and mended, or refused where no field can look like that.

The bounds keep a broken or hostile shape from filling the memory or never ending; a field drawn to the centimetre
has some thousands of corners. A slip of the pen is mended, a tangle is not: mending takes time faster than the
square of its crossings (13 s for 300 sides at random), and what comes of it is no field.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from pyproj import CRS
from pyproj.exceptions import ProjError
from shapely.geometry.base import BaseGeometry

from atlas.errors import RowError
from atlas.farm.reprojecting import bring

MOST_CORNERS = 20_000
FARTHEST = 1e9  # of a coordinate, in any unit: 2.5 times around the earth in feet is less
WIDEST_M = 100_000
MOST_CROSSINGS = 200
MOST_PAIRS = 200_000  # of sides whose boxes touch, looked at one by one
SAMPLE = 200


def settled(shape: BaseGeometry, source: CRS, target: CRS) -> tuple[BaseGeometry, str]:
    """A shape that is not empty, in `target` and valid, and what was wrong with it if it was mended.

    Raises RowError with the reason, to stand after a row's name.
    """
    _check_numbers(shape)
    try:
        brought = bring(shape, source, target)
    except ProjError as e:
        raise RowError(f"lies where {target.name} has no coordinates; set the layer's CRS right") from e
    west, south, east, north = brought.bounds
    if (widest := max(east - west, north - south)) > WIDEST_M:
        limit = f"at most {WIDEST_M // 1000} km are read"
        raise RowError(f"is {widest / 1000:.4g} km wide; {limit}, cut it or set its CRS right")
    if shapely.is_valid(brought):
        return brought, ""
    if is_tangle(brought):
        raise RowError("its outline crosses itself too often to be mended; draw it anew")
    why = shapely.is_valid_reason(brought).split("[")[0].strip().lower()
    return shapely.make_valid(brought), why


def _check_numbers(shape: BaseGeometry) -> None:
    corners = int(shapely.get_num_coordinates(shape))
    if corners > MOST_CORNERS:
        raise RowError(f"has {corners} corners; at most {MOST_CORNERS} are read, simplify it")
    numbers = np.abs(shapely.get_coordinates(shape))
    if not np.isfinite(numbers).all():
        raise RowError("has a coordinate that is no number; draw it anew")
    if numbers.max() > FARTHEST:
        raise RowError(f"has a coordinate of {numbers.max():.3g}, which is nowhere on earth; draw it anew")


def could_be_degrees(shape: BaseGeometry) -> bool:
    """Whether all its numbers are as small as longitudes and latitudes are."""
    west, south, east, north = shape.bounds
    return max(abs(west), abs(south), abs(east), abs(north)) <= 180


def is_tangle(shape: BaseGeometry) -> bool:
    """Whether the sides of a shape's outlines cross more often than can be mended in time.

    First the pairs of sides are estimated from some of them, so that a tangle of any size is told fast.
    """
    rings = shapely.get_rings(shapely.get_parts(shape))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    within = ring[:-1] == ring[1:]
    if not within.any():
        return False
    sides: Any = shapely.linestrings(np.stack([points[:-1][within], points[1:][within]], axis=1))
    tree = shapely.STRtree(sides)
    some = sides[:: max(1, len(sides) // SAMPLE)]
    if tree.query(some).shape[1] / len(some) * len(sides) / 2 > MOST_PAIRS:
        return True
    return bool(tree.query(sides, predicate="crosses").shape[1] / 2 > MOST_CROSSINGS)
