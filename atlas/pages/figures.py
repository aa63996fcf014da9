"""Every figure the pages show, as the public JSON interface has it (format "field-atlas/1")."""

from __future__ import annotations

from typing import Any

from atlas.driving.records import Drive, TaggedHazard
from atlas.driving.wet_places import WetPlace
from atlas.farm.farm import Farm
from atlas.farm.heights_said import sigma_assumed
from atlas.settings import Settings
from atlas.survey import FieldSurvey
from atlas.terrain.figures import SlopeFigures


def field_figures(survey: FieldSurvey, page: str, shown: tuple[str, str, str]) -> dict[str, Any]:
    """One field's entry in data/atlas.json; areas to a tenth of a square millimetre so that sums still add up.

    `shown` is the machine, ground and driver of the set that paper shows.
    """
    slope = survey.terrain.figures
    driving = survey.driving
    return {
        "field_id": survey.parcel.field_id,
        "name": survey.parcel.name,
        "farm": survey.parcel.farm,
        "use": survey.parcel.use,
        "page": page,
        "lon": survey.place.lon,
        "lat": survey.place.lat,
        "area_m2": _r(slope.area_m2),
        "surface_m2": _r(slope.surface_m2),
        "elevation": {"min_m": _r(slope.min_m, 2), "max_m": _r(slope.max_m, 2)},
        "slope": _slope(slope),
        "hazards": [_hazard(t) for t in driving.hazards],
        "likely_wet": [_wet_place(w) for w in survey.likely_wet],
        "hand_work": {
            "edge_m": _r(driving.hand_work.edge_m, 2),
            "strip_m2": _r(driving.hand_work.strip_m2, 2),
            "hours": _r(driving.hand_work.hours, 3),
        },
        "drops": {"length_m": _r(driving.drops.length_m, 2), "unknown_m": _r(driving.drops.unknown_m, 2)},
        "released": _release(survey),
        "shown": dict(zip(("machine", "ground", "driver"), shown, strict=True)) if driving.drives else None,
        "driving": [_drive(d) for d in driving.drives],
        "no_zones_because": driving.why_none,
    }


def farm_head(farm: Farm, settings: Settings) -> dict[str, Any]:
    """The parts of the interface that are not a field's: the farm and its terrain."""
    grid = farm.terrain.grid
    return {
        "languages": list(settings.farm.languages),
        "farm": {"name": farm.name, "crs": grid.crs.to_string()},
        "terrain": {
            "cell_m": _r(grid.cell_m, 6),
            "cell_x_m": _r(grid.cell_x, 6),
            "cell_y_m": _r(grid.cell_y, 6),
            "breaks_pct": list(settings.terrain.breaks_pct),
            "source": farm.terrain.source,
            "date": farm.terrain.date,
            "sigma_m": settings.terrain.dem_sigma_m,
            "sigma_assumed": sigma_assumed(settings),
        },
    }


def _slope(s: SlopeFigures) -> dict[str, Any]:
    return {
        "mean_pct": _r(s.mean_pct),
        "p95_pct": _r(s.p95_pct),
        "max_pct": _r(s.max_pct),
        "unsurveyed_m2": _r(s.unsurveyed_m2),
        "faces_deg": _r(s.faces_deg, 1),
        "classes": [
            {
                "over_pct": c.over_pct,
                "upto_pct": c.upto_pct,
                "area_m2": _r(c.area_m2),
                "merged_m2": _r(c.merged_m2),
            }
            for c in s.classes
        ],
    }


def _hazard(tagged: TaggedHazard) -> dict[str, Any]:
    h = tagged.hazard
    return {
        "hazard_id": h.hazard_id,
        "tag": tagged.tag,
        "kind": h.kind,
        "severity": h.severity if h.kind == "wet_spot" else None,
        "reach_m": h.reach_m,
        "accuracy_m": h.accuracy_m,
        "depth_m": h.depth_m,
        "unconfirmed": h.unconfirmed,
        "note": h.note,
        "place": tagged.place,
        "lon": round(tagged.at_lon, 7),
        "lat": round(tagged.at_lat, 7),
    }


def _wet_place(w: WetPlace) -> dict[str, Any]:
    return {
        "rank": w.rank,
        "x": _r(w.x, 2),
        "y": _r(w.y, 2),
        "lon": w.lon,
        "lat": w.lat,
        "index": _r(w.index, 3),
        "place": w.place,
    }


def _drive(d: Drive) -> dict[str, Any]:
    return {
        "machine": d.machine,
        "ground": d.ground,
        "driver": d.driver,
        "any_way_m2": _r(d.any_way_m2),
        "up_down_m2": _r(d.up_down_m2),
        "on_foot_m2": _r(d.on_foot_m2),
        "keep_out_m2": _r(d.keep_out_m2),
        "unsurveyed_m2": _r(d.unsurveyed_m2),
        "cut_off_m2": _r(d.cut_off_m2),
        "no_turn_m2": _r(d.no_turn_m2),
    }


def _release(survey: FieldSurvey) -> dict[str, Any] | None:
    r = survey.release
    if r is None:
        return None
    return {"ground": r.ground, "by": r.released_by, "until": r.until.isoformat()}


def _r(value: float | None, digits: int = 4) -> float | None:
    return None if value is None else round(float(value), digits) + 0.0
