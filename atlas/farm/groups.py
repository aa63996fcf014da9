"""Which fields share a page, a PDF and a data file, where there are too many for one or several farms have theirs.

A farm's fields stay together; of more than fit on one page, neighbours do. The same fields give the same groups.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from shapely import STRtree, bounds

from atlas.farm import slugs
from atlas.farm.records import Parcel

if TYPE_CHECKING:
    from atlas.farm.farm import Farm

MOST_TOGETHER = 300  # fields on one page: more are cut into parts
A_PART = 200  # fields at most in a part
GATE_WITHIN_M = 30.0  # as a sheet counts its ways in


@dataclass(frozen=True)
class Group:
    """Fields that share their pages: `places` in the farm file's list of parcels, rising.

    `farm` is what the parcels name, "" for those that name none; `part` counts from 1 up to `parts`.
    """

    slug: str
    farm: str
    part: int
    parts: int
    places: tuple[int, ...]


def groups_of(parcels: Sequence[Parcel]) -> tuple[Group, ...]:
    """The groups, farms in the order of their names; none where one page holds all fields of one farm."""
    by_farm: dict[str, list[int]] = {}
    for place, parcel in enumerate(parcels):
        by_farm.setdefault(parcel.farm, []).append(place)
    if len(parcels) <= MOST_TOGETHER and len(by_farm.keys() - {""}) < 2:
        return ()
    farms = sorted(by_farm, key=lambda name: (name == "", name.casefold(), name))
    cut = [(farm, part, parts) for farm in farms for parts in [_parts(parcels, by_farm[farm])] for part in parts]
    names = slugs.give((f"{farm or 'fields'} {_count(part, parts)}", "farm") for farm, part, parts in cut)
    return tuple(
        Group(name, farm, 1 + parts.index(part), len(parts), tuple(sorted(part)))
        for name, (farm, part, parts) in zip(names, cut, strict=True)
    )


def _count(part: list[int], parts: list[list[int]]) -> str:
    return str(1 + parts.index(part)) if len(parts) > 1 else ""


def _parts(parcels: Sequence[Parcel], places: list[int]) -> list[list[int]]:
    if len(places) <= MOST_TOGETHER:
        return [places]
    boxes = bounds(np.array([parcels[place].shape for place in places], dtype=object))
    middles = (boxes[:, :2] + boxes[:, 2:]) / 2
    cut = _halved(middles, np.arange(len(places)), math.ceil(len(places) / A_PART))
    return [[places[i] for i in part] for part in cut]


def _halved(middles: np.ndarray, which: np.ndarray, parts: int) -> list[np.ndarray]:
    """Cut across the longer side into parts of like number; a field more moves few others."""
    if parts == 1:
        return [which]
    own = middles[which]
    along = int(np.ptp(own[:, 1]) > np.ptp(own[:, 0]))
    order = which[np.lexsort((which, own[:, 1 - along], own[:, along]))]
    first = parts // 2
    at = round(len(order) * first / parts)
    return [*_halved(middles, order[:at], first), *_halved(middles, order[at:], parts - first)]


def farm_of(farm: Farm, group: Group) -> Farm:
    """The farm as if it had this group's fields only, with the ways in that belong to them."""
    parcels = tuple(farm.parcels[place] for place in group.places)
    ways_in = farm.ways_in_of(group)
    return replace(
        farm,
        parcels=parcels,
        parcel_index=STRtree([p.shape for p in parcels]),
        ways_in=ways_in,
        way_in_index=STRtree([w.shape for w in ways_in]),
    )


def ways_in_by_group(farm: Farm) -> dict[str, list[int]]:
    """By a group's slug, places in `farm.ways_in`, rising: those within 30 m of one of its fields, and those that
    no field of another group is nearer to."""
    gates = [w.shape for w in farm.ways_in]
    if not gates:
        return {}
    slug_at = {place: group.slug for group in farm.groups for place in group.places}
    gate, parcel = farm.parcel_index.query(gates, predicate="dwithin", distance=GATE_WITHIN_M)
    pairs = {(int(g), slug_at[int(p)]) for g, p in zip(gate, parcel, strict=True)}
    pairs |= {(g, slug_at[int(p)]) for g, p in enumerate(farm.parcel_index.nearest(gates))}
    found: dict[str, list[int]] = {}
    for g, slug in sorted(pairs):
        found.setdefault(slug, []).append(g)
    return found
