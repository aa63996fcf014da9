"""The strip under the trees that no machine clears: how long, how much, how many hours."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from atlas.driving.records import HandWork
from atlas.farm.records import Hazard
from atlas.settings import OnFootTable


def hand_work(shape: Polygon | MultiPolygon, hazards: Sequence[Hazard], on_foot: OnFootTable) -> HandWork:
    """Length along the forest edges (m), their strip inside the field (m², overlaps once) and hours by the rate.

    The strip reaches `reach_m` to both sides of the marking and is cut off square at its ends; only what lies in
    the field counts. The marking's accuracy widens what a machine keeps off, not what there is to rake.
    """
    edges = [h for h in hazards if h.kind == "forest_edge"]
    strips = [strip(h, on_foot).intersection(shape) for h in edges]
    area = float(shapely.union_all(strips).area) if strips else 0.0
    length = sum((_length_along(h, shape, on_foot) for h in edges), 0.0)
    return HandWork(length, area, area / on_foot.m2_per_hour)


def strip(edge: Hazard, on_foot: OnFootTable) -> BaseGeometry:
    """The ground that one forest edge leaves for hand work, not yet cut to the field."""
    reach = _reach(edge, on_foot)
    return edge.shape.buffer(reach, cap_style="flat" if _is_line(edge.shape) else "round")


def _reach(edge: Hazard, on_foot: OnFootTable) -> float:
    """A marking without a reach of its own gets the farm's strip."""
    return on_foot.strip_m if "reach_m" in edge.assumed else edge.reach_m


def _is_line(shape: BaseGeometry) -> bool:
    return bool(shape.geom_type in ("LineString", "MultiLineString", "LinearRing"))


def _length_along(edge: Hazard, field: Polygon | MultiPolygon, on_foot: OnFootTable) -> float:
    """Metres of the marking beside which some of its strip lies in the field.

    The marking need not lie inside: one drawn a step outside the boundary still has the field's strip beside it.
    Each straight piece is swept sideways by the reach, cut to the field, and the pieces that remain are measured
    along it. An area is measured along its outline, inside the field or within its reach of it.
    """
    reach = _reach(edge, on_foot)
    if edge.shape.area > 0:  # a mended one may hold lines beside its areas
        areas = [part.boundary for part in shapely.get_parts(edge.shape) if part.area > 0]
        return float(shapely.union_all(areas).intersection(field.buffer(1e-6)).length)
    total = 0.0
    for part in shapely.get_parts(edge.shape):
        if not _is_line(part):
            continue
        points = shapely.get_coordinates(part)
        for begin, end in itertools.pairwise(points):
            total += _piece_beside(begin, end, reach, field)
    return total


def _piece_beside(
    begin: np.ndarray[tuple[int], np.dtype[np.float64]],
    end: np.ndarray[tuple[int], np.dtype[np.float64]],
    reach: float,
    field: Polygon | MultiPolygon,
) -> float:
    along = end - begin
    length = float(np.hypot(*along))
    if length == 0:
        return 0.0
    along = along / length
    aside = np.array([-along[1], along[0]]) * reach
    swept = Polygon([begin + aside, end + aside, end - aside, begin - aside]).intersection(field)
    spans = []
    for part in shapely.get_parts(swept):
        if part.area > 0:
            t = (shapely.get_coordinates(part) - begin) @ along
            spans.append(shapely.linestrings([[float(t.min()), 0.0], [float(t.max()), 0.0]]))
    return float(shapely.union_all(spans).length) if spans else 0.0
