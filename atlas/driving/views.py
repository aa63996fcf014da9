"""What a driver sees from each way in: the ground, and on it the field's edge, drops and tags, as far as seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from atlas.driving.entering import entered_part
from atlas.driving.places import place_words
from atlas.driving.records import DrivingSurvey, TaggedHazard
from atlas.farm.records import Parcel, WayIn
from atlas.grid import Floats
from atlas.terrain.coverage import covered_fractions
from atlas.terrain.figures import TerrainSurvey
from atlas.terrain.view import FieldCells, Scene, View, look, seen, seen_parts
from atlas.terrain.view_kernel import SEEN

MIDDLE_M, MIDDLE_CELL_M = 400.0, 2.0  # so far past the field, means of blocks up to so wide
FAR_CELL_M = 8.0
ALL_INSIDE = 1 - 1e-6  # covered at least so much, a cell lies in the field
MOST_VIEWS = 6  # a sheet with more would no longer fit its page


@dataclass(frozen=True)
class TagSeen:
    """A tag's place in a picture, pixels from its upper left corner, and how far off it is on the ground plan."""

    tag: int
    kind: str
    col: float
    row: float
    away_m: float
    in_picture: bool  # within the picture's angles
    seen: bool  # no ground before it hides it


@dataclass(frozen=True)
class WayView:
    """The view from one way in; lines are what is seen of them, each (n, 2) in the picture's pixels."""

    way_in: WayIn
    place: str  # "at the south edge"
    view: View
    edge: tuple[Floats, ...]
    drops: tuple[Floats, ...]
    unknown: tuple[Floats, ...]
    tags: tuple[TagSeen, ...]


@dataclass(frozen=True)
class Views:
    """The views of a field, and the ways in that have none because no height is measured there."""

    seen: tuple[WayView, ...] = ()
    blind: tuple[WayIn, ...] = ()
    left_out: tuple[WayIn, ...] = ()  # more than a sheet holds


def views_from(
    parcel: Parcel, ways_in: Sequence[WayIn], terrain: TerrainSurvey, driving: DrivingSurvey, scene: Scene
) -> Views:
    """The view into a field from every way in that leads into it; of several parts, into the one it belongs to."""
    field = FieldCells(terrain.grid, terrain.covered)
    found: list[WayView] = []
    blind: list[WayIn] = []
    for way in ways_in[:MOST_VIEWS]:
        view = look(scene, way.shape.x, way.shape.y, field, _entered(parcel.shape, way, terrain))
        if view is None:
            blind.append(way)
        else:
            found.append(_view(parcel, way, view, terrain, driving, scene))
    return Views(tuple(found), tuple(blind), tuple(ways_in[MOST_VIEWS:]))


def _entered(shape: Polygon | MultiPolygon, way: WayIn, terrain: TerrainSurvey) -> FieldCells | None:
    """Cells of the part that a way in leads into, where a field has several."""
    if isinstance(shape, Polygon) or len(shape.geoms) == 1:
        return None
    covered = covered_fractions(entered_part(shape, way.shape), terrain.grid)
    return FieldCells(terrain.grid, covered.astype(np.float32))


def _view(
    parcel: Parcel, way: WayIn, view: View, terrain: TerrainSurvey, driving: DrivingSurvey, scene: Scene
) -> WayView:
    edge, drops, unknown = (
        seen_parts(scene, view.lens, shapely.GeometryCollection(list(shapes)))
        for shapes in ((parcel.shape,), driving.drop_lines, driving.unknown_edges)
    )
    place = place_words(way.shape, parcel.shape)
    view = _within(view, parcel.shape, terrain)
    return WayView(way, place, view, edge, drops, unknown, _tags(driving.hazards, view, scene))


def _within(view: View, shape: Polygon | MultiPolygon, terrain: TerrainSurvey) -> View:
    """Cut cells at the field's edge, as the map does: of pixels that show edge cells only, those whose middle lies
    in the field stay."""
    whole = np.zeros(view.kind.size, dtype=np.bool_)
    whole[view.pixels[terrain.covered.ravel()[view.cells] > ALL_INSIDE]] = True
    partly = np.zeros(view.kind.size, dtype=np.bool_)
    partly[view.pixels] = True
    edge = np.flatnonzero(partly & ~whole)
    xs, ys, _ = view.ground(edge // view.lens.cols, edge % view.lens.cols)
    shapely.prepare(shape)
    out = np.zeros(view.kind.size, dtype=np.bool_)
    out[edge] = ~np.isnan(xs) & ~shapely.contains_xy(shape, xs, ys)
    stays = ~out[view.pixels]
    return replace(view, pixels=view.pixels[stays], cells=view.cells[stays])


def _tags(hazards: Sequence[TaggedHazard], view: View, scene: Scene) -> tuple[TagSeen, ...]:
    xs, ys = (np.array([getattr(h, name) for h in hazards], dtype=float) for name in ("at_x", "at_y"))
    at, sight = seen(scene, view.lens, xs, ys)
    away = np.hypot(xs - view.lens.x, ys - view.lens.y)
    holds = view.lens.holds(at)
    return tuple(
        TagSeen(
            h.tag, h.hazard.kind, float(at[i, 0]), float(at[i, 1]), float(away[i]), bool(holds[i]),
            bool(sight[i] == SEEN),
        )
        for i, h in enumerate(hazards)
    )  # fmt: skip
