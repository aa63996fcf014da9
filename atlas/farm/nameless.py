"""The id of a marking that was drawn without one: from what it is and where it lies.

A row's number would not do: a program that writes a layer anew numbers its rows anew, and a tablet's "gone" on one
marking would then retire another.
"""

from __future__ import annotations

import hashlib

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

SIGNS = 10  # of the digest: two of a million markings would be the same once in two


def nameless_id(layer: str, kind: str, stored: BaseGeometry | None) -> str:
    """An id from the layer's name, the kind (our key) and the shape's corners as the layer stores them, whatever
    row it stands in; without a shape, from layer and kind alone.
    """
    corners = np.empty((0, 2)) if stored is None else shapely.get_coordinates(stored)
    told = kind.encode() + b"\0" + np.ascontiguousarray(corners, dtype="<f8").tobytes()
    return f"{layer}-{hashlib.sha256(told).hexdigest()[:SIGNS]}"
