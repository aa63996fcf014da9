"""One field, from the farm file to its figures: the pipeline in one screen."""

from __future__ import annotations

from dataclasses import dataclass

from shapely.geometry import MultiPolygon, Polygon

from atlas.driving.records import DrivingSurvey
from atlas.farm.records import Parcel, Release, WayIn
from atlas.terrain.figures import TerrainSurvey


@dataclass(frozen=True)
class Outline:
    """A neighbouring field, as an outline only."""

    field_id: str
    name: str
    shape: Polygon | MultiPolygon


@dataclass(frozen=True)
class Place:
    """Where the field is on the globe, and a local fit good to centimetres within it.

    x = x0 + ax·(lon−lon0) + bx·(lat−lat0) + cx·(lon−lon0)² + dx·(lon−lon0)(lat−lat0) + ex·(lat−lat0)², same for y.
    """

    lon: float
    lat: float
    fit_x: tuple[float, float, float, float, float, float]
    fit_y: tuple[float, float, float, float, float, float]
    convergence_deg: float  # true north is this far clockwise of grid north


@dataclass(frozen=True)
class FieldSurvey:
    """Everything known of one field; arrays on `terrain.grid`, shapes in the terrain's CRS."""

    parcel: Parcel
    place: Place
    terrain: TerrainSurvey
    driving: DrivingSurvey
    ways_in: tuple[WayIn, ...]  # within 30 m of the field
    neighbours: tuple[Outline, ...]
    release: Release | None  # in force when the atlas was built
    remarks: tuple[str, ...]  # assumed or mended in this field's rows
