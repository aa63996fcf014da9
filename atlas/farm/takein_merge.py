"""Two marks of one spot as one marking that keeps all the ground and the worse of everything both keep."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import shapely
from shapely.geometry.base import BaseGeometry

from atlas.farm import schema
from atlas.farm.change_checks import NAME_CHARACTERS, NOTE_CHARACTERS
from atlas.farm.change_hazards import Standing
from atlas.farm.change_shapes import suits
from atlas.farm.marks_row import Mark

STEP_M = 0.5


@dataclass(frozen=True)
class Merged:
    """Columns to change in the marking that stays, and its new shape where that changes."""

    values: dict[str, Any]
    shape: BaseGeometry | None


def merged(one: Standing, mark: Mark, shape: BaseGeometry) -> Merged:
    """`one` stays and takes in `mark`, whose place is `shape` in the farm's CRS. Never for the better: the
    higher severity, the longer reach, all the ground of two areas, or accuracy enough to cover the other place.
    """
    accuracy = schema.ACCURACY_M if mark.accuracy_m is None else mark.accuracy_m
    place = _together(one, one.accuracy_m, shape, accuracy)
    told: dict[str, Any] = {
        "severity": max(one.severity or schema.SEVERITY, mark.severity or schema.SEVERITY),
        "reach_m": max(one.reach_m, _reach(mark)),
        "accuracy_m": math.ceil(place.accuracy_m * 100) / 100,
    }
    if mark.depth_m is not None:
        told["depth_m"] = max(mark.depth_m, one.depth_m or 0.0)
    if joined := joined_text(one.note, mark.note, NOTE_CHARACTERS):
        told["note"] = joined
    if joined := joined_text(one.seen_by, mark.seen_by, NAME_CHARACTERS):
        told["seen_by"] = joined
    if mark.seen_at is not None and (one.seen_at is None or mark.seen_at > one.seen_at):
        told["seen_at"] = mark.seen_at
    if mark.photo is not None:
        told["photo"] = mark.photo
    return Merged(told, None if place.shape is one.shape else place.shape)


def joined_text(first: str, second: str, most: int) -> str:
    """Both texts, each once; the newer alone where both do not fit."""
    if not second or second in first:
        return first
    both = f"{first}; {second}" if first else second
    return both if len(both) <= most else second


def _reach(mark: Mark) -> float:
    if mark.reach_m is not None:
        return mark.reach_m
    return schema.FOREST_REACH_M if mark.kind == "forest_edge" else schema.REACH_M


@dataclass(frozen=True)
class _Ground:
    shape: BaseGeometry
    accuracy_m: float


def _together(one: Standing, one_accuracy: float, other: BaseGeometry, other_accuracy: float) -> _Ground:
    """Ground and accuracy that between them cover both: two areas become one, else the larger kind of shape stays
    and its accuracy grows until it reaches all of the other.
    """
    shape = one.shape
    if shape is None:
        return _Ground(other, max(one_accuracy, other_accuracy))
    if shape.area > 0 and other.area > 0:
        union = shapely.union(shape, other)
        both = union if union.geom_type == "Polygon" else union.convex_hull
        return _Ground(both, max(one_accuracy, other_accuracy))
    if _dimension(other) > _dimension(shape) and suits(one.place.table, other) is not None:
        return _Ground(other, max(other_accuracy, one_accuracy + _farthest(shape, other)))
    return _Ground(shape, max(one_accuracy, other_accuracy + _farthest(other, shape)))


def _dimension(shape: BaseGeometry) -> int:
    return int(shapely.get_dimensions(shape))


def _farthest(of: BaseGeometry, to: BaseGeometry) -> float:
    """How far the farthest point of one shape lies from another, no less than it is: corners and points between
    them, plus half the step (a distance changes by no more than the way gone).
    """
    if to.covers(of):
        return 0.0
    points = shapely.points(shapely.get_coordinates(shapely.segmentize(of, STEP_M)))
    spare = STEP_M / 2 if of.length > 0 else 0.0
    return float(shapely.distance(points, to).max()) + spare
