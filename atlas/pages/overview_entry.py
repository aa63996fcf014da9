"""What the overview keeps of one field: small enough to stay in the atlas, so that a build after one mark need
not survey the other fields again."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from pyproj import Transformer
from shapely import maximum_inscribed_circle, set_precision, wkt
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from atlas.driving.places import place_words
from atlas.driving.records import Drive, TaggedHazard, Zone
from atlas.farm.records import Release, WayIn
from atlas.globe import to_lonlat
from atlas.pages.overview_picture import Stroke, ZonePicture, picture_of

if TYPE_CHECKING:
    from atlas.survey import FieldSurvey

OUTLINE_TOLERANCE_M = 0.5  # 0.1 mm at 1:5000
PLACE_M = 0.1  # outlines are kept to this


@dataclass(frozen=True)
class EntryShares:
    """How much of the field each zone holds for the set that paper shows, m², and which set that is. Ground that
    the machine cannot reach counts apart from the open ground."""

    machine: str
    ground: str
    driver: str
    any_way_m2: float
    up_down_m2: float
    cut_off_m2: float
    on_foot_m2: float
    keep_out_m2: float
    unsurveyed_m2: float

    @property
    def area_m2(self) -> float:
        return self.any_way_m2 + self.up_down_m2 + self.closed_m2

    @property
    def closed_m2(self) -> float:
        return self.cut_off_m2 + self.on_foot_m2 + self.keep_out_m2 + self.unsurveyed_m2

    @property
    def closed_share(self) -> float:
        """The part of the field this machine must stay out of or cannot reach, 0 to 1."""
        return self.closed_m2 / self.area_m2 if self.area_m2 > 0 else 1.0


@dataclass(frozen=True)
class Drawn:
    """One field's zones for one set: how much of each, and where."""

    shares: EntryShares
    picture: ZonePicture

    @staticmethod
    def from_json(raw: dict[str, Any]) -> Drawn:
        strokes = tuple(Stroke(**s) for s in raw["picture"]["strokes"])
        return Drawn(EntryShares(**raw["shares"]), ZonePicture(**{**raw["picture"], "strokes": strokes}))


@dataclass(frozen=True)
class EntryHazard:
    """A marking nobody has looked at since the last storm, or that was never dated. `off_m` is how far outside the
    field's outline it lies; one that concerns several fields stands in the entry of each."""

    hazard_id: str
    tag: int
    kind: str
    severity: int
    place: str
    lon: float
    lat: float
    off_m: float


@dataclass(frozen=True)
class EntryRelease:
    ground: str
    released_by: str
    released_at: str  # ISO 8601 with offset
    until: str

    @property
    def ends(self) -> datetime:
        return datetime.fromisoformat(self.until)


@dataclass(frozen=True)
class EntryWayIn:
    way_in_id: str
    name: str
    x: float  # terrain CRS
    y: float
    lon: float
    lat: float
    ambulance: bool
    note: str
    place: str = ""  # in the field of whose entry it is part, in the source's words


@dataclass(frozen=True)
class OverviewEntry:
    """One field as the overview shows it. Shapes are WKT in the terrain's CRS, to the decimetre."""

    field_id: str
    slug: str
    name: str
    use: str
    farm: str
    area_m2: float
    mean_pct: float | None
    max_pct: float | None
    outline: str
    label_x: float
    label_y: float
    lon: float
    lat: float
    released: Drawn | None  # on the ground it is released for; None where it is not released
    unreleased: Drawn | None  # on wet ground; None where terrain is too coarse for zones, and `why_none` says so
    why_none: str
    hazards: int
    unconfirmed: tuple[EntryHazard, ...]
    release: EntryRelease | None
    ways_in: tuple[EntryWayIn, ...]

    @property
    def page(self) -> str:
        return f"fields/{self.slug}.html"

    def drawn(self, released: bool) -> Drawn | None:
        """What holds while the release does, and what holds without it."""
        return self.released if released and self.released else self.unreleased

    def shape(self) -> Polygon | MultiPolygon:
        found = wkt.loads(self.outline)
        assert isinstance(found, Polygon | MultiPolygon)  # written by `entry_of`
        return found

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return dataclasses.asdict(self)

    @staticmethod
    def from_json(raw: dict[str, Any]) -> OverviewEntry:
        """Back from `as_json`. Raises KeyError or TypeError where keys are another version's."""
        made = dict(raw)
        made["released"] = Drawn.from_json(raw["released"]) if raw["released"] else None
        made["unreleased"] = Drawn.from_json(raw["unreleased"]) if raw["unreleased"] else None
        made["release"] = EntryRelease(**raw["release"]) if raw["release"] else None
        made["unconfirmed"] = tuple(EntryHazard(**h) for h in raw["unconfirmed"])
        made["ways_in"] = tuple(EntryWayIn(**w) for w in raw["ways_in"])
        return OverviewEntry(**made)


def summarise(survey: FieldSurvey, released: Drive | None, unreleased: Drive | None) -> OverviewEntry:
    """One field's entry from the drives that paper shows: while its release holds, and without one."""
    parcel, figures = survey.parcel, survey.terrain.figures
    outline = set_precision(parcel.shape.simplify(OUTLINE_TOLERANCE_M), PLACE_M)
    if outline.is_empty:  # a sliver that a cut left behind: its box, so that it has a place on the map
        outline = set_precision(parcel.shape.envelope.buffer(2 * PLACE_M, join_style="mitre"), PLACE_M)
    middle = maximum_inscribed_circle(parcel.shape, tolerance=1.0).coords[0]
    return OverviewEntry(
        parcel.field_id,
        parcel.slug,
        parcel.name,
        parcel.use,
        parcel.farm,
        figures.area_m2,
        figures.mean_pct,
        figures.max_pct,
        wkt.dumps(outline, rounding_precision=1, trim=True),
        round(middle[0], 1),
        round(middle[1], 1),
        survey.place.lon,
        survey.place.lat,
        _drawn(survey, released) if released else None,
        _drawn(survey, unreleased) if unreleased else None,
        survey.driving.why_none,
        len(survey.driving.hazards),
        tuple(_hazard(t, parcel.shape) for t in survey.driving.hazards if t.hazard.unconfirmed),
        _release(survey.release) if survey.release else None,
        tuple(
            replace(
                way_in_of(w, to_lonlat(survey.terrain.grid.crs)), place=place_words(w.shape, survey.parcel.shape)
            )
            for w in survey.ways_in
        ),
    )


def way_in_of(way_in: WayIn, to_globe: Transformer) -> EntryWayIn:
    """A way in with its longitude and latitude (WGS 84, seven decimals: a centimetre)."""
    lon, lat = to_globe.transform(way_in.shape.x, way_in.shape.y)
    return EntryWayIn(
        way_in.way_in_id,
        way_in.name,
        round(way_in.shape.x, 1),
        round(way_in.shape.y, 1),
        round(lon, 7),
        round(lat, 7),
        way_in.ambulance,
        way_in.note,
    )


def _drawn(survey: FieldSurvey, drive: Drive) -> Drawn:
    return Drawn(_shares(survey, drive), picture_of(survey.terrain, drive, survey.parcel.shape))


def _shares(survey: FieldSurvey, d: Drive) -> EntryShares:
    weight = survey.terrain.covered.astype(np.float64) * survey.terrain.grid.cell_area
    any_cut = float(weight[(d.zone == Zone.ANY_WAY) & (d.cut_off > 0)].sum())
    cut = min(d.cut_off_m2 or 0.0, d.any_way_m2 + d.up_down_m2)
    any_cut = min(any_cut, cut, d.any_way_m2)
    return EntryShares(
        d.machine,
        d.ground,
        d.driver,
        d.any_way_m2 - any_cut,
        d.up_down_m2 - (cut - any_cut),
        cut,
        d.on_foot_m2,
        d.keep_out_m2,
        d.unsurveyed_m2,
    )


def _hazard(t: TaggedHazard, field: BaseGeometry) -> EntryHazard:
    h = t.hazard
    off_m = round(h.shape.distance(field), 2)
    return EntryHazard(h.hazard_id, t.tag, h.kind, h.severity, t.place, t.at_lon, t.at_lat, off_m)


def _release(r: Release) -> EntryRelease:
    return EntryRelease(r.ground, r.released_by, r.released_at.isoformat(), r.until.isoformat())
