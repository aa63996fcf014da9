"""How fields and markings lie to each other: what a slip of the pen or a wrong CRS looks like in the file."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.strtree import STRtree

from atlas.farm.assumptions import listed
from atlas.farm.records import Hazard, Parcel, Remark
from atlas.farm.schema import FAR_OFF_M
from atlas.farm.table import Row

TWICE_M2 = 100.0  # of ground in two fields: less than an are is how boundaries are drawn by hand


def nearest(parcels: Sequence[Parcel], hazards: Sequence[Hazard]) -> list[Parcel | None]:
    """The field nearest to each marking, None where none lies within `FAR_OFF_M`; all in one CRS in metres."""
    out: list[Parcel | None] = [None] * len(hazards)
    if parcels and hazards:
        tree = STRtree([p.shape for p in parcels])
        pairs = tree.query_nearest([h.shape for h in hazards], max_distance=FAR_OFF_M, all_matches=False)
        for mark, field in pairs.T.tolist():
            out[mark] = parcels[field]
    return out


def far_marks(parcels: Sequence[Parcel], hazards: Sequence[tuple[Hazard, Row]]) -> list[Remark]:
    """One remark per layer with the rows of markings, not retired, that lie far from every field."""
    far: dict[str, list[str]] = {}
    for (_, row), field in zip(hazards, nearest(parcels, [h for h, _ in hazards]), strict=True):
        if field is None and parcels and row.moment("retired_at") is None:
            far.setdefault(row.layer, []).append(row.number)
    text = f"is more than {FAR_OFF_M:.0f} m from every field and closes nothing; set its place or the layer's CRS"
    return [Remark(layer, listed(numbers), text) for layer, numbers in far.items()]


def in_two_fields(parcels: Sequence[Parcel]) -> list[tuple[Parcel, Parcel, float]]:
    """Pairs of fields that have ground in common, and how much of it, square metres; in file order."""
    if not parcels:
        return []
    shapes = np.array([p.shape for p in parcels], dtype=object)
    first, second = STRtree(shapes).query(shapes, predicate="intersects")
    apart = first < second
    first, second = first[apart], second[apart]
    common = shapely.area(shapely.intersection(shapes[first], shapes[second]))
    order = np.lexsort((second, first))
    return [
        (parcels[first[i]], parcels[second[i]], float(common[i])) for i in order.tolist() if common[i] >= TWICE_M2
    ]
