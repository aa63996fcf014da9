"""How fields and markings lie to each other: what a slip of the pen or a wrong CRS looks like in the file."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

import numpy as np
import shapely
from pyproj import CRS
from pyproj.exceptions import ProjError
from shapely.strtree import STRtree

from atlas.farm.assumptions import listed
from atlas.farm.records import Hazard, Parcel, Remark
from atlas.farm.reprojecting import bring
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


def far_marks(parcels: Sequence[Parcel], hazards: Sequence[tuple[Hazard, Row]], crs: CRS) -> list[Remark]:
    """Remarks on the rows of markings, not retired, that lie far from every field; all in `crs`, in metres.

    Where a marking's stored numbers are degrees of a place near a field, whatever its layer's CRS makes of them,
    the remark refuses: somebody marked ground that would stay open.
    """
    far: dict[tuple[str, str], list[str]] = {}
    index = STRtree([p.shape for p in parcels])
    for (_, row), field in zip(hazards, nearest(parcels, [h for h, _ in hazards]), strict=True):
        if field is None and parcels and row.moment("retired_at") is None:
            far.setdefault((row.layer, _true_order(index, row, crs)), []).append(row.number)
    return [
        Remark(layer, listed(numbers), _far_text(order), refused=bool(order))
        for (layer, order), numbers in far.items()
    ]


def _far_text(order: str) -> str:
    if not order:
        return (
            f"is more than {FAR_OFF_M:.0f} m from every field and closes nothing; set its place or the layer's CRS"
        )
    return (
        f"is more than {FAR_OFF_M:.0f} m from every field, and near one with its numbers read as {order} in "
        "degrees; bring it to the layer's CRS"
    )


def _true_order(parcels: STRtree, row: Row, crs: CRS) -> str:
    """The order in which a row's numbers are degrees of a place near a field; "" where they are none."""
    if row.as_stored is None:
        return ""
    globe = CRS.from_epsg(4326)
    turned = shapely.transform(shapely.force_2d(row.as_stored), lambda points: points[:, ::-1])
    for order, shape in (("longitude, latitude", row.as_stored), ("latitude, longitude", turned)):
        with suppress(ProjError):
            place = bring(shape, globe, crs)
            if parcels.query(place, predicate="dwithin", distance=FAR_OFF_M).size:
                return order
    return ""


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
