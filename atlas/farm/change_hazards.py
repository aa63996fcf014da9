"""Finds a marking in the file by its id, as the readers name it, and says how it stands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import shapely
from pyproj.exceptions import ProjError
from shapely.geometry.base import BaseGeometry

from atlas.errors import RowError
from atlas.farm import edit_geometry, schema, values
from atlas.farm.change_places import FarmChange, Place
from atlas.farm.edit_rows import quoted
from atlas.farm.nameless import nameless_id
from atlas.farm.reprojecting import bring

_READ = (
    "hazard_id",
    "kind",
    "severity",
    "reach_m",
    "accuracy_m",
    "depth_m",
    "note",
    "seen_at",
    "seen_by",
    "retired_at",
)


@dataclass(frozen=True)
class Standing:
    """One row of a hazard layer; `shape` is in the farm's CRS, None where the row has none that can be read."""

    place: Place
    key: int
    hazard_id: str
    cells: dict[str, Any]
    shape: BaseGeometry | None

    @property
    def kind(self) -> str:
        return values.kind_key(self.cells.get("kind"))

    @property
    def seen_at(self) -> datetime | None:
        return _moment(self.cells.get("seen_at"))

    @property
    def retired_at(self) -> datetime | None:
        return _moment(self.cells.get("retired_at"))

    @property
    def live(self) -> bool:
        return self.retired_at is None

    @property
    def severity(self) -> int | None:
        found = _number(self.cells.get("severity"))
        return None if found is None else int(found)

    @property
    def reach_m(self) -> float:
        found = _number(self.cells.get("reach_m"))
        default = schema.FOREST_REACH_M if self.kind == "forest_edge" else schema.REACH_M
        return default if found is None else found

    @property
    def accuracy_m(self) -> float:
        found = _number(self.cells.get("accuracy_m"))
        return schema.ACCURACY_M if found is None else found

    @property
    def depth_m(self) -> float | None:
        return _number(self.cells.get("depth_m"))

    @property
    def note(self) -> str:
        return values.text(self.cells.get("note"))

    @property
    def seen_by(self) -> str:
        return values.text(self.cells.get("seen_by"))


def all_standing(change: FarmChange) -> Iterator[Standing]:
    """Every marking of every hazard layer, retired ones too."""
    for place in change.hazards:
        yield from _rows(change, place, "", ())


def find(change: FarmChange, hazard_id: str) -> Standing:
    """The marking with this id. Raises RowError where there is none, or more than one."""
    wanted = hazard_id.strip()
    found = with_id(change, wanted)
    if not found:
        raise RowError(f"{change.path}: has no hazard '{wanted[:80]}'; see its hazards with field-atlas inspect.")
    if len(found) > 1:
        raise RowError(f"{change.path}: hazard '{wanted[:80]}' stands {len(found)} times; give each its own id.")
    return found[0]


def with_id(change: FarmChange, wanted: str) -> list[Standing]:
    """Rows that carry the id, or have none and go by what they are and where they lie."""
    return [standing for place in change.hazards for standing in _with_id(change, place, wanted)]


def _with_id(change: FarmChange, place: Place, wanted: str) -> Iterator[Standing]:
    if "hazard_id" in place.columns:
        column = quoted(place.columns["hazard_id"])
        yield from _rows(change, place, f"WHERE lower(trim({column})) = lower(?)", (wanted,))
    if wanted.lower().startswith(f"{place.table.name.lower()}-"):
        nameless = (x for x in _rows(change, place, "", ()) if not values.text(x.cells.get("hazard_id")))
        yield from (x for x in nameless if x.hazard_id.lower() == wanted.lower())


def _rows(change: FarmChange, place: Place, where: str, told_values: tuple[Any, ...]) -> Iterator[Standing]:
    table = place.table
    told = [name for name in _READ if name in place.columns]
    columns = [table.key, table.geometry or table.key, *(place.columns[name] for name in told)]
    listed = ", ".join(quoted(c) for c in columns)
    sql = f"SELECT {listed} FROM {quoted(table.name)} {where}"
    for key, blob, *cells in change.db.execute(sql, told_values).fetchall():
        named = dict(zip(told, cells, strict=True))
        stored = edit_geometry.to_shape(blob)
        row = Standing(place, key, values.text(named.get("hazard_id")), named, _shape(change, place, stored))
        yield row if row.hazard_id else replace(row, hazard_id=nameless_id(table.name, row.kind, stored))


def _shape(change: FarmChange, place: Place, shape: BaseGeometry | None) -> BaseGeometry | None:
    if shape is None or shape.is_empty:
        return None
    try:
        brought = bring(shape, change.crs_of(place.table.srs_id), change.crs)
    except ProjError:
        return None
    return brought if brought.is_valid else shapely.make_valid(brought)


def _moment(value: object) -> datetime | None:
    try:
        return values.moment(value)[0]
    except RowError:
        return None


def _number(value: object) -> float | None:
    try:
        return values.number(value)
    except RowError:
        return None
