"""From the plan to the map: outlines, markings, gates and springs on the invented land."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points

from atlas.farm import demo_plan
from atlas.farm.demo_kernel import TILE_U, TILE_V
from atlas.farm.demo_land import Land, Stretch
from atlas.farm.demo_noise import noise_pair
from atlas.farm.demo_plan import PlannedField, PlannedGate, PlannedHazard, Spot

STEP_M = 5.0
RAGGED_M = 3.2  # how far an outline strays from the plan's straight lines


@dataclass(frozen=True)
class Placer:
    """Puts one stretch's plan on the map."""

    land: Land
    stretch: Stretch

    def point(self, spot: Spot) -> Point:
        return Point(*self.land.on_map(self.stretch, spot))

    def line(self, spots: tuple[Spot, ...]) -> LineString:
        return LineString([self.land.on_map(self.stretch, s) for s in dense(spots)])

    def wire(self, spots: tuple[Spot, ...]) -> LineString:
        """Straight from post to post."""
        return LineString([self.land.on_map(self.stretch, s) for s in spots])

    def edge(self, spots: tuple[Spot, ...]) -> LineString:
        """Part of a field's outline, between its corners."""
        return LineString([self.land.on_map(self.stretch, self._ragged(s)) for s in dense(spots)])

    def area(self, spots: tuple[Spot, ...], holes: tuple[tuple[Spot, ...], ...] = ()) -> Polygon:
        outer, *inner = [
            [self.land.on_map(self.stretch, self._ragged(s)) for s in dense((*r, r[0]))[:-1]]
            for r in (spots, *holes)
        ]
        return Polygon(outer, inner)

    def _ragged(self, spot: Spot) -> Spot:
        """Nobody mows along a ruler; neighbours stray alike, so that they still meet."""
        u = spot.u + self.stretch.col * TILE_U
        v = spot.v + self.stretch.row * TILE_V
        du, dv = noise_pair(u / 23.0, v / 23.0, self.land.salt + 20)
        far_u, far_v = noise_pair(u / 71.0, v / 71.0, self.land.salt + 21)
        return Spot(spot.u + RAGGED_M * (du + 1.5 * far_u), spot.v + RAGGED_M * (dv + 1.2 * far_v))

    def field(self, planned: PlannedField) -> Polygon | MultiPolygon:
        first = self.area(planned.corners, planned.holes)
        if not planned.parts:
            return first
        return MultiPolygon([first, *(self.area(p) for p in planned.parts)])

    def hazard(self, planned: PlannedHazard) -> BaseGeometry:
        if planned.shape == "point":
            return self.point(planned.spots[0])
        if planned.shape == "wire":
            return self.wire(planned.spots)
        if planned.shape == "edge":
            return self.edge(planned.spots)
        return self.line(planned.spots) if planned.shape == "line" else self.area(planned.spots)

    def gate(self, planned: PlannedGate, shape: Polygon | MultiPolygon) -> Point:
        """The place on the field's edge nearest to the foot of the ramp."""
        foot = self.point(Spot(planned.u, demo_plan.ROADS[planned.road][0] + 6.0 * planned.side))
        near = nearest_points(shape.boundary, foot)[0]
        return Point(round(near.x, 2), round(near.y, 2))


def dense(spots: tuple[Spot, ...]) -> list[Spot]:
    """A line with a spot every few metres; the same ones whichever way the line runs, so that neighbours fit."""
    out = [spots[0]]
    for a, b in itertools.pairwise(spots):
        low, high = sorted((a, b), key=lambda s: (s.u, s.v))
        n = max(1, math.ceil(math.hypot(b.u - a.u, b.v - a.v) / STEP_M))
        between = [Spot(low.u + (high.u - low.u) * i / n, low.v + (high.v - low.v) * i / n) for i in range(1, n)]
        out += between if low == a else between[::-1]
        out.append(b)
    return out
