"""What is derived from heights alone, as frozen records that the pages read."""

from __future__ import annotations

from dataclasses import dataclass

from shapely.geometry import LineString

from atlas.grid import Bytes, Floats, Floats32, Grid


@dataclass(frozen=True)
class Gradient:
    """Horn's gradient: dz/dx towards east, dz/dy towards north, rise over run, (rows, cols), NaN where unknown."""

    grid: Grid
    gx: Floats
    gy: Floats

    @property
    def steepness(self) -> Floats:
        """Rise over run, NaN where unknown."""
        import numpy as np

        return np.hypot(self.gx, self.gy)


@dataclass(frozen=True)
class SlopeClass:
    over_pct: float
    upto_pct: float | None
    area_m2: float
    merged_m2: float


@dataclass(frozen=True)
class SlopeFigures:
    """Weighted by covered fraction, horizontal areas; statistics are None where nothing is measured."""

    area_m2: float
    surface_m2: float
    min_m: float | None
    max_m: float | None
    mean_pct: float | None
    p95_pct: float | None
    max_pct: float | None
    unsurveyed_m2: float
    classes: tuple[SlopeClass, ...]
    faces_deg: float | None  # mean downslope direction, clockwise from grid north; None on level ground


@dataclass(frozen=True)
class Contour:
    height_m: float
    index: bool  # every fifth is drawn bolder and labelled
    line: LineString


@dataclass(frozen=True)
class Contours:
    interval_m: float
    lines: tuple[Contour, ...]


@dataclass(frozen=True)
class Profile:
    """Heights along the field's steepest line, top to bottom: metres along the ground plan, metres above sea."""

    along_m: Floats
    height_m: Floats
    line: LineString


@dataclass(frozen=True)
class TerrainSurvey:
    """One field's terrain, all arrays on `grid` (the field's bounds plus a margin)."""

    grid: Grid
    z: Floats
    gradient: Gradient
    covered: Floats32  # exact fraction of each cell inside the field, 0..1
    slope_class: Bytes  # index into classes, 255 where unknown
    figures: SlopeFigures
    contours: Contours
    shade: Bytes  # 0 dark .. 255 bright
    profile: Profile | None
