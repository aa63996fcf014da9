"""A small plan beside each view: where one stands, which way one looks, and how wide the picture is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import shapely
from markupsafe import Markup
from shapely.geometry import MultiPolygon, Point, Polygon

from atlas.driving.views import WayView
from atlas.grid import Bounds
from atlas.languages import tr
from atlas.pages.picture_frame import NORTH, n
from atlas.survey import FieldSurvey

SIDE_MM, EDGE_MM = 46.0, 3.5
WEDGE_SHARE = 0.4  # of the field's longer side


@dataclass(frozen=True)
class _Plan:
    """The box of a plan, terrain CRS, and millimetres per metre."""

    box: Bounds
    scale: float

    @property
    def wide(self) -> float:
        return self.box.width * self.scale

    @property
    def high(self) -> float:
        return self.box.height * self.scale

    def at(self, x: float, y: float) -> str:
        return f"{n((x - self.box.west) * self.scale, 2)} {n((self.box.north - y) * self.scale, 2)}"


def view_plan(survey: FieldSurvey, seen: WayView, title: str) -> Markup:
    """Field, way in and the wedge of ground the picture looks at, north up as on the map; tags as on the map."""
    lens, field = seen.view.lens, survey.parcel.shape
    wedge = _wedge(lens.x, lens.y, lens.middle_deg, lens.wide_deg, _wedge_m(field))
    tags = [Point(t.at_x, t.at_y) for t in survey.driving.hazards]
    whole = Bounds(*shapely.union_all([field, wedge, *tags]).bounds)
    scale = (SIDE_MM - 2 * EDGE_MM) / max(whole.width, whole.height)
    plan = _Plan(whole.grown(EDGE_MM / scale), scale)
    numbers = "".join(
        f'<g transform="translate({plan.at(p.x, p.y)})"><text class="view-plan-tag" y=".9" text-anchor="middle">'
        f"{t.tag}</text></g>"
        for t, p in zip(survey.driving.hazards, tags, strict=True)
    )
    tip = wedge.exterior.coords[len(wedge.exterior.coords) // 2]
    return Markup(
        '<svg class="picture view-plan" viewBox="0 0 {w} {h}" width="{w}mm" height="{h}mm" role="img" '
        'aria-label="{title}"><path class="view-wedge" d="{wedge}"/><path class="outline" d="{outline}"/>{tags}'
        '<path class="view-sight" d="M{eye}L{tip}"/><g transform="translate({eye})">'
        '<circle class="view-stand" r="1.2"/></g>{north}</svg>'
    ).format(
        w=n(plan.wide, 2),
        h=n(plan.high, 2),
        title=title,
        wedge=_outline(wedge, plan),
        outline=_outline(field, plan),
        tags=Markup(numbers),
        eye=plan.at(lens.x, lens.y),
        tip=plan.at(*tip[:2]),
        north=_north(plan, survey.place.convergence_deg),
    )


def _north(plan: _Plan, convergence_deg: float) -> Markup:
    return Markup(
        '<g transform="translate({} 5.4)"><g transform="rotate({})" class="north">'
        '<path d="M0-3.4 1.3 2.6 0 1.7-1.3 2.6z"/></g>'
        '<text class="view-plan-tag" y="5.6" text-anchor="middle">{}</text></g>'
    ).format(n(plan.wide - 2.6, 2), n(convergence_deg, 2), tr(NORTH))


def _wedge_m(field: Polygon | MultiPolygon) -> float:
    b = Bounds(*field.bounds)
    return WEDGE_SHARE * max(b.width, b.height)


def _wedge(x: float, y: float, middle_deg: float, wide_deg: float, long: float) -> Polygon:
    """A slice of pie, its point at the eye; the middle of its ring of corners is straight ahead."""
    turns = [math.radians(middle_deg + wide_deg * (k / 12 - 0.5)) for k in range(13)]
    return Polygon([(x, y)] + [(x + long * math.sin(t), y + long * math.cos(t)) for t in turns])


def _outline(shape: Polygon | MultiPolygon, plan: _Plan) -> str:
    return "".join(
        "M" + " ".join(plan.at(*p[:2]) for p in ring.coords) + "z"
        for part in shapely.get_parts(shapely.simplify(shape, 0.15 / plan.scale))
        for ring in (part.exterior, *part.interiors)
    )
