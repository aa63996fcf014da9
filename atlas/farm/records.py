"""What a farm file holds, as plain frozen records in the terrain's own CRS."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from shapely.geometry import MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

HazardKind = Literal["wet_spot", "unstable_bank", "forest_edge", "obstacle", "overhead_line", "no_go", "slip"]
HAZARD_KINDS: tuple[HazardKind, ...] = (
    "wet_spot",
    "unstable_bank",
    "forest_edge",
    "obstacle",
    "overhead_line",
    "no_go",
    "slip",
)
GROUNDS = ("firm", "damp", "wet", "parched", "hay_down")


@dataclass(frozen=True, slots=True)
class Remark:
    """Something the file made us assume or mend, said to the user; `row` is the file's own row number or id."""

    layer: str
    row: str
    text: str
    refused: bool = False  # True: this stops a build
    field_id: str = ""  # of the field it is said of, where it is of one


@dataclass(frozen=True, slots=True)
class Parcel:
    """One field. `slug` is its file name: unique also without case, ASCII, never a path."""

    field_id: str
    slug: str
    name: str
    use: str
    note: str
    first_pass: str
    farm: str
    shape: Polygon | MultiPolygon


@dataclass(frozen=True, slots=True)
class Hazard:
    """One live marking, its defaults filled in. `assumed` names the columns that got a default."""

    hazard_id: str
    kind: HazardKind
    severity: int
    reach_m: float
    accuracy_m: float
    depth_m: float | None
    note: str
    photo: bytes | None
    seen_at: datetime | None
    seen_by: str
    shape: BaseGeometry
    unconfirmed: bool = False  # seen before the latest storm, or never dated
    assumed: tuple[str, ...] = ()

    @property
    def matters_within_m(self) -> float:
        """How far off it can matter: its reach or twice a bank's depth, its accuracy, and half of the largest
        machine (12 m wide or 9 m long by what settings allow), with a margin."""
        return max(self.reach_m, 2 * (self.depth_m or 0.0)) + self.accuracy_m + 10.0


@dataclass(frozen=True, slots=True)
class WayIn:
    """A gate or ramp where machines enter."""

    way_in_id: str
    name: str
    width_m: float | None
    max_load_t: float | None
    ambulance: bool
    note: str
    shape: Point


@dataclass(frozen=True, slots=True)
class Storm:
    """`day_only`: only the day is told, and `passed_at` is its first minute."""

    storm_id: str
    passed_at: datetime
    note: str
    day_only: bool = False

    @property
    def over_by(self) -> datetime:
        """When it had passed for sure: what was seen or released before may have been so before the storm."""
        return self.passed_at + timedelta(days=1) if self.day_only else self.passed_at


@dataclass(frozen=True, slots=True)
class Release:
    """The lead's word that a field may be driven, on which ground, until when."""

    field_id: str
    ground: str
    released_by: str
    released_at: datetime
    until: datetime
