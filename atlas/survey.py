"""One field, from the farm file to its figures: the pipeline in one screen."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from shapely.geometry import MultiPolygon, Polygon

from atlas.driving.closing import is_wall
from atlas.driving.entering import entered_by
from atlas.driving.machines import Rig
from atlas.driving.records import DrivingSurvey
from atlas.driving.surveying import survey_driving
from atlas.driving.views import FAR_CELL_M, MIDDLE_CELL_M, MIDDLE_M, Views, views_from
from atlas.driving.wet_places import WetPlace, wet_places
from atlas.farm import spikes
from atlas.farm.backdrop import AerialPicture, aerial_picture
from atlas.farm.farm import Farm
from atlas.farm.records import Hazard, Parcel, Release, WayIn
from atlas.globe import to_lonlat
from atlas.grid import Bounds, Heights
from atlas.settings import Settings
from atlas.terrain.figures import TerrainSurvey
from atlas.terrain.surveying import survey_terrain
from atlas.terrain.view import FAR_M, Scene
from atlas.terrain.wetness import MARGIN_M as WATER_MARGIN_M

WAY_IN_WITHIN_M = 30.0
Six = tuple[float, float, float, float, float, float]


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
    fit_x: Six
    fit_y: Six
    convergence_deg: float  # true north is this far clockwise of grid north


@dataclass(frozen=True)
class FieldSurvey:
    """Everything known of one field; arrays on `terrain.grid`, shapes in the terrain's CRS."""

    parcel: Parcel
    place: Place
    terrain: TerrainSurvey
    driving: DrivingSurvey
    ways_in: tuple[WayIn, ...]  # those that lead into the field, not its neighbours'
    neighbours: tuple[Outline, ...]
    release: Release | None  # in force when the atlas was built
    remarks: tuple[str, ...]  # assumed or mended in this field's rows
    likely_wet: tuple[WetPlace, ...] = ()  # where to look first after a storm
    aerial: AerialPicture | None = None  # to look at, where the farm file has one
    views: Views = Views()  # noqa: RUF009 (frozen) what one sees from the ways in


def survey_field(farm: Farm, parcel: Parcel, settings: Settings, rig: Rig) -> FieldSurvey:
    """Read one field's window of the terrain and derive everything its page shows.

    Raises TerrainError where heights cannot be read.
    """
    box = Bounds(*parcel.shape.bounds)
    release = next(iter(farm.releases_of(parcel)), None)
    around_it = farm.ways_in_near(box.grown(WAY_IN_WITHIN_M))
    near = [w for w in around_it if w.shape.distance(parcel.shape) <= WAY_IN_WITHIN_M]
    ways_in = entered_by(parcel, near)
    around = farm.terrain.read(box, read_margin_m(settings))
    terrain = survey_terrain(parcel.shape, _cut(around, box, margin_m(settings)), settings)
    to_globe = to_lonlat(farm.terrain.grid.crs)
    driving = survey_driving(
        parcel,
        terrain,
        hazards_that_matter(farm, box, settings),
        ways_in,
        release,
        bool(farm.storms),
        rig,
        settings,
        to_globe,
    )
    return FieldSurvey(
        parcel,
        place_of(parcel, farm),
        terrain,
        driving,
        ways_in,
        _neighbours(farm, parcel, box),
        release,
        (*(r.text for r in farm.remarks_of(parcel)), *spikes.said(around)),
        wet_places(parcel.shape, terrain, around, driving.hazards, to_globe),
        aerial_picture(farm, box.grown(WAY_IN_WITHIN_M)),
        views_from(parcel, ways_in, terrain, driving, _scene(farm, box, around)) if ways_in else Views(),
    )


def margin_m(settings: Settings) -> float:
    """How far outside a field its terrain is read: far enough to see where a slide past the edge would end."""
    return settings.drops.within_m + 10.0


def read_margin_m(settings: Settings) -> float:
    """How far outside a field heights matter at all: what runs into it gathers further off than slides end."""
    return max(margin_m(settings), WATER_MARGIN_M)


def view_windows(box: Bounds) -> tuple[tuple[Bounds, float], ...]:
    """What the pictures from a field's ways in rest on beyond its own heights: windows, and cells how wide."""
    far = box.grown(WAY_IN_WITHIN_M + FAR_M)
    return ((box.grown(MIDDLE_M), MIDDLE_CELL_M), (far, FAR_CELL_M))


def _scene(farm: Farm, box: Bounds, around: Heights) -> Scene:
    middle, far = (farm.terrain.coarse(window, cell_m) for window, cell_m in view_windows(box))
    return Scene(around, middle, far)


def _cut(heights: Heights, box: Bounds, margin: float) -> Heights:
    w = heights.grid.window(box, margin)
    z = heights.z[w.row : w.row + w.rows, w.col : w.col + w.cols]
    return Heights(heights.grid.part(w), np.ascontiguousarray(z))


def hazards_that_matter(farm: Farm, box: Bounds, settings: Settings) -> tuple[Hazard, ...]:
    """Live hazards that can change a field within `box`, in file order: none farther off than it reaches, but a
    wall as far as slides are followed, whatever its own reach."""
    slide = margin_m(settings)
    near = farm.hazards_near(box.grown(max(farm.farthest_m, slide)))
    return tuple(h for h in near if Bounds(*h.shape.bounds).overlaps(box.grown(_matters_within_m(h, slide))))


def _matters_within_m(hazard: Hazard, slide_m: float) -> float:
    return max(hazard.matters_within_m, slide_m) if is_wall(hazard) else hazard.matters_within_m


def place_of(parcel: Parcel, farm: Farm) -> Place:
    """A point inside the field, in longitude and latitude (WGS 84), with the fit back to the map.

    The fit is a second-order least-squares one over the field's box grown by half; within a few kilometres of
    a field in a conformal projection its error stays under a centimetre.
    """
    to_globe = to_lonlat(farm.terrain.grid.crs)
    inside = parcel.shape.representative_point()
    lon, lat = to_globe.transform(inside.x, inside.y)
    w, s, e, n = parcel.shape.bounds
    reach = max(e - w, n - s, 100.0)
    xs, ys = np.meshgrid(np.linspace(w - reach, e + reach, 7), np.linspace(s - reach, n + reach, 7))
    lons, lats = to_globe.transform(xs.ravel(), ys.ravel())
    u, v = np.asarray(lons) - lon, np.asarray(lats) - lat
    scale = float(max(np.abs(u).max(), np.abs(v).max()))
    u, v = u / scale, v / scale
    terms = np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])
    back = np.array([1, scale, scale, scale**2, scale**2, scale**2])
    fit_x = np.linalg.lstsq(terms, xs.ravel() - inside.x, rcond=None)[0] / back
    fit_y = np.linalg.lstsq(terms, ys.ravel() - inside.y, rcond=None)[0] / back
    fit_x[0] += inside.x
    fit_y[0] += inside.y
    true_north = math.degrees(math.atan2(fit_x[2] / fit_y[2], 1.0))
    return Place(round(lon, 7), round(lat, 7), _six(fit_x), _six(fit_y), round(true_north, 2))


def _six(values: np.ndarray) -> Six:
    a, b, c, d, e, f = (float(f"{v:.10g}") for v in values)
    return (a, b, c, d, e, f)


def _neighbours(farm: Farm, parcel: Parcel, box: Bounds) -> tuple[Outline, ...]:
    near = farm.parcels_near(box.grown(WAY_IN_WITHIN_M))
    return tuple(Outline(p.field_id, p.name, p.shape) for p in near if p.field_id != parcel.field_id)
