"""Relief shading for the map: soft light from several sides, so that no slope is lost in grey print."""

from __future__ import annotations

import math

import numpy as np

from atlas.grid import Bytes
from atlas.terrain.figures import Gradient

LIGHTS = ((20.0, 0.5), (80.0, 0.25), (300.0, 0.25))  # direction the light comes from, its share
LIGHT_UP_DEG = 50.0
DARKEST, UNKNOWN_GREY = 90, 128


def shade(gradient: Gradient) -> Bytes:
    """Brightness of each cell, (rows, cols), 0 dark to 255 bright; mid grey where the slope is unknown."""
    gx, gy = gradient.gx, gradient.gy
    up, out = math.sin(math.radians(LIGHT_UP_DEG)), math.cos(math.radians(LIGHT_UP_DEG))
    bright = np.zeros(gx.shape)
    for turn, share in LIGHTS:
        east, north = math.sin(math.radians(turn)), math.cos(math.radians(turn))
        bright += share * np.maximum(0.0, up - out * (gx * east + gy * north))
    bright /= np.sqrt(1.0 + gx * gx + gy * gy)
    grey = DARKEST + (255 - DARKEST) * bright
    return np.where(np.isnan(grey), UNKNOWN_GREY, np.rint(np.clip(grey, 0, 255))).astype(np.uint8)
