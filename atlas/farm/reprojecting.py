"""The one way shapes change from one CRS to another: x before y, whatever order the CRS's authority prefers."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Transformer
from shapely.geometry.base import BaseGeometry


def bring(shape: BaseGeometry, source: CRS, target: CRS) -> BaseGeometry:
    """`shape` in `target`; heights and measures along lines are dropped. Same CRS: the very same coordinates.

    Raises pyproj.exceptions.ProjError where a point has no place in `target`.
    """
    flat = shapely.force_2d(shape)
    if source == target:
        return flat
    transformer = _transformer(source, target)

    def move(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        x, y = transformer.transform(points[:, 0], points[:, 1], errcheck=True)
        return np.column_stack([x, y])

    return shapely.transform(flat, move)


@lru_cache(maxsize=64)
def _transformer(source: CRS, target: CRS) -> Transformer:
    return Transformer.from_crs(source, target, always_xy=True)
