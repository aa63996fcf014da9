"""What a machine may do where, as frozen records that the pages read."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from shapely.geometry.base import BaseGeometry

from atlas.farm.records import Hazard
from atlas.grid import Bytes, Floats32


class Zone(IntEnum):
    """Ordered from open to closed, so that the worst of several cells is the largest."""

    ANY_WAY = 0
    UP_DOWN = 1
    ON_FOOT = 2
    KEEP_OUT = 3
    UNSURVEYED = 4


ZONE_KEYS = ("any_way", "up_down", "on_foot", "keep_out", "unsurveyed")


class Reason(IntEnum):
    """The limit that decided a verdict. From TAG on, the verdict is a hazard's: TAG + its number."""

    WITHIN = 0  # within every limit
    SIDE = 1  # sideways tilt
    CLIMB = 2  # nose up or down
    GRIP_UP = 3
    GRIP_DOWN = 4
    ON_FOOT = 5  # steeper than hand work goes
    DROP = 6  # too near above a drop
    DROP_BELOW = 7  # straight down ends at a drop
    UNKNOWN_EDGE = 8  # heights end below
    NO_HEIGHT = 9
    TAG = 20


@dataclass(frozen=True)
class TaggedHazard:
    """A hazard that touches a field, with its number on map, list and paper (1, 2, …)."""

    tag: int
    hazard: Hazard
    at_lon: float
    at_lat: float
    at_x: float  # a point of the marking inside the field, terrain CRS
    at_y: float
    place: str  # "along the north edge", "in the middle"
    keep_off: BaseGeometry  # the marking grown by reach and accuracy


@dataclass(frozen=True)
class HandWork:
    edge_m: float
    strip_m2: float
    hours: float


@dataclass(frozen=True)
class DropFigures:
    length_m: float
    unknown_m: float


@dataclass(frozen=True)
class Drive:
    """One machine on one ground with one driver: verdict and deciding reason per cell, and areas."""

    machine: str
    ground: str
    driver: str
    zone: Bytes  # (rows, cols) of the terrain survey's grid, Zone; meaningful where covered > 0
    reason: Bytes  # Reason, or TAG + number
    any_way_m2: float
    up_down_m2: float
    on_foot_m2: float
    keep_out_m2: float
    unsurveyed_m2: float
    cut_off_m2: float | None
    no_turn_m2: float
    cut_off: Bytes  # 1 where cut off
    no_turn: Bytes  # 1 where there is no room to turn


@dataclass(frozen=True)
class Tilt:
    """Stance extremes of one machine per cell, rise over run, NaN where a wheel has no height."""

    machine: str
    any_roll: Floats32
    any_pitch: Floats32
    any_stance: Floats32
    fall_roll: Floats32  # only headings within 15° of straight up or down
    fall_pitch: Floats32
    fall_stance: Floats32


@dataclass(frozen=True)
class DrivingSurvey:
    """Everything about driving one field; `drives` is empty and `why_none` says why on coarse terrain."""

    hazards: tuple[TaggedHazard, ...]
    hand_work: HandWork
    drops: DropFigures
    drop_lines: tuple[BaseGeometry, ...]  # to draw, teeth on the right-hand side pointing down
    unknown_edges: tuple[BaseGeometry, ...]
    tilts: tuple[Tilt, ...]
    drives: tuple[Drive, ...]
    why_none: str
