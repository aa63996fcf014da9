"""An opened farm: its records, and terrain that is read window by window, never whole."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Protocol, TypeVar

from shapely.strtree import STRtree

from atlas.farm.groups import Group, groups_of, ways_in_by_group
from atlas.farm.records import Hazard, Parcel, Release, Remark, Storm, WayIn
from atlas.grid import Bounds, Grid, Heights

_Row = TypeVar("_Row")


class Terrain(Protocol):
    """Where heights come from. Picklable (paths only), so that a worker process can open it anew."""

    @property
    def grid(self) -> Grid: ...  # of the whole model, metres, north-up
    @property
    def source(self) -> str: ...  # stated or "not stated"
    @property
    def date(self) -> str: ...  # stated or ""
    @property
    def remarks(self) -> tuple[Remark, ...]: ...  # "was in feet", "warped from degrees to …"

    def read(self, bounds: Bounds, margin_m: float = 0.0) -> Heights:
        """Heights of the cells that touch `bounds` grown by the margin. May reach past the model: those
        cells are NaN, so the window always covers what was asked for. Raises TerrainError."""
        ...

    def fingerprint(self, bounds: Bounds, margin_m: float = 0.0) -> str:
        """A digest of the stored heights of that window, cheaper than deriving anything from them."""
        ...

    def stored_mark(self, bounds: Bounds) -> str | None:
        """The same for a window of any size, or None where only reading every height would tell."""
        ...

    def coarse(self, bounds: Bounds, cell_m: float) -> Heights:
        """Means of blocks of cells, up to `cell_m` wide, that touch `bounds`, clipped to the model: to look at,
        not for sums. What cannot be read is NaN."""
        ...

    def coarse_fingerprint(self, bounds: Bounds, cell_m: float) -> str:
        """A digest that changes with what `coarse` gives."""
        ...


@dataclass(frozen=True)
class Farm:
    """Everything read from a farm file, in the terrain's CRS. Live hazards only (retired ones stay on file)."""

    path: Path
    name: str
    parcels: tuple[Parcel, ...]
    hazards: tuple[Hazard, ...]
    ways_in: tuple[WayIn, ...]
    storms: tuple[Storm, ...]
    releases: tuple[Release, ...]  # in force at `as_of`, none older than the last storm
    terrain: Terrain
    remarks: tuple[Remark, ...]
    as_of: datetime
    parcel_index: STRtree
    hazard_index: STRtree
    way_in_index: STRtree
    backdrop: str | None = None  # table name of the aerial picture, if any

    @cached_property
    def farthest_m(self) -> float:
        """How far off the farthest-reaching marking can still matter."""
        return max((h.matters_within_m for h in self.hazards), default=0.0)

    @cached_property
    def groups(self) -> tuple[Group, ...]:
        """Fields that share their pages, where one page does not hold all; else none."""
        return groups_of(self.parcels)

    @cached_property
    def _group_of(self) -> dict[str, Group]:
        return {self.parcels[place].field_id: group for group in self.groups for place in group.places}

    def group_of(self, parcel: Parcel) -> Group | None:
        """The group a field belongs to; None where all are together."""
        return self._group_of.get(parcel.field_id)

    @cached_property
    def _ways_in_by_group(self) -> dict[str, list[int]]:
        return ways_in_by_group(self)

    def ways_in_of(self, group: Group) -> tuple[WayIn, ...]:
        """The ways in that belong to a group's fields, in file order."""
        return tuple(self.ways_in[place] for place in self._ways_in_by_group.get(group.slug, ()))

    @cached_property
    def _releases(self) -> dict[str, tuple[Release, ...]]:
        return _by(self.releases, lambda release: release.field_id)

    @cached_property
    def _remarks(self) -> dict[str, tuple[Remark, ...]]:
        return _by((r for r in self.remarks if r.field_id), lambda remark: remark.field_id)

    def releases_of(self, parcel: Parcel) -> tuple[Release, ...]:
        return self._releases.get(parcel.field_id, ())

    def remarks_of(self, parcel: Parcel) -> tuple[Remark, ...]:
        """What was said of the row that a field is made of."""
        return self._remarks.get(parcel.field_id, ())

    def hazards_near(self, bounds: Bounds) -> tuple[Hazard, ...]:
        """Live hazards whose bounding box touches `bounds`, in file order."""
        return tuple(self.hazards[i] for i in _hits(self.hazard_index, bounds))

    def ways_in_near(self, bounds: Bounds) -> tuple[WayIn, ...]:
        return tuple(self.ways_in[i] for i in _hits(self.way_in_index, bounds))

    def parcels_near(self, bounds: Bounds) -> tuple[Parcel, ...]:
        return tuple(self.parcels[i] for i in _hits(self.parcel_index, bounds))


def _by(rows: Iterable[_Row], named: Callable[[_Row], str]) -> dict[str, tuple[_Row, ...]]:
    found: dict[str, list[_Row]] = {}
    for row in rows:
        found.setdefault(named(row), []).append(row)
    return {name: tuple(own) for name, own in found.items()}


def _hits(index: STRtree, bounds: Bounds) -> list[int]:
    from shapely.geometry import box

    found = index.query(box(bounds.west, bounds.south, bounds.east, bounds.north))
    return sorted(int(i) for i in found)
