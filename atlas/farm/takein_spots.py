"""Which markings on file may be the one just brought: the same kind, as near as both may be off their place."""

from __future__ import annotations

from collections.abc import Iterable

import shapely
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from atlas.farm.change_hazards import Standing

APART_M = 15.0  # beyond this two marks are two, however inexact the receivers were


class Spots:
    """Live markings by place; those that come in during the run are found as well."""

    def __init__(self, standing: Iterable[Standing]) -> None:
        self._rows = {_row(x): x for x in standing}
        self._first = [x for x in self._rows.values() if x.shape is not None]
        self._tree = shapely.STRtree([x.shape for x in self._first if x.shape is not None])
        self._later: dict[tuple[str, int], Standing] = {}

    def put(self, standing: Standing) -> None:
        """A row as it stands now, in place of what was known of it."""
        self._rows[_row(standing)] = standing
        self._later[_row(standing)] = standing

    def same_spot(self, kind: str, shape: BaseGeometry, accuracy_m: float, not_id: str) -> Standing | None:
        """The nearest live marking of this kind within both accuracies; None where there is none."""
        west, south, east, north = shape.bounds
        around = box(west - APART_M, south - APART_M, east + APART_M, north + APART_M)
        near = [self._rows[_row(self._first[i])] for i in self._tree.query(around)]
        near += [x for x in self._later.values() if x.shape is not None and x.shape.intersects(around)]
        best: tuple[float, Standing] | None = None
        for other in near:
            if other.kind != kind or not other.live or other.hazard_id == not_id or other.shape is None:
                continue
            away = float(shapely.distance(other.shape, shape))
            if away <= min(accuracy_m + other.accuracy_m, APART_M) and (best is None or away < best[0]):
                best = (away, other)
        return None if best is None else best[1]


def _row(standing: Standing) -> tuple[str, int]:
    return standing.place.table.name, standing.key
