"""What a marking said before it was changed, so that a day's map can be made again.

A marking keeps its one row, which says what holds now. Before a row is changed, and when one comes in from a
tablet, a row is added to `hazard_history`; read newest first, these rows lead back to any earlier day.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from shapely.geometry.base import BaseGeometry

from atlas.errors import FarmFileError
from atlas.farm import edit_geometry, sqlite_file, values
from atlas.farm.change_places import FarmChange, Place
from atlas.farm.edit_rows import quoted
from atlas.farm.schema import LayerSchema

HISTORY = LayerSchema(
    "hazard_history",
    "None",
    {
        "hazard_id": "str",
        "layer": "str",
        "layer_row": "int32",
        "changed_at": "datetime",
        "changed_by": "str",
        "change": "str",  # taken in, still there, merged, gone
        "source": "str",  # the marks file it came from
        "mark_id": "str",  # the id the tablet gave it, where another one holds here
        "digest": "str",  # of the feature in the marks file
        "was": "str",  # JSON: the changed columns before, by our names; empty where the marking was not there
        "was_shape": "bytes",
        "was_photo": "bytes",
    },
)


@dataclass(frozen=True)
class Source:
    """Where a change comes from: nothing for one made by hand."""

    file: str = ""
    mark_id: str = ""
    digest: str = ""


BY_HAND = Source()


@dataclass(frozen=True)
class Before:
    """A marking's row at an earlier moment: what differs from now. `shape` is in the layer's own CRS."""

    existed: bool
    cells: Mapping[str, Any]
    shape: BaseGeometry | None


def remember(
    change: FarmChange,
    place: Place,
    key: int,
    hazard_id: str,
    what: str,
    by: str,
    at: datetime,
    changed: tuple[str, ...] | None,
    shape_too: bool = False,
    source: Source = BY_HAND,
) -> None:
    """Write down how a row stands, before `changed` columns (our names) of it change; None: it is new."""
    row: dict[str, Any] = {
        "hazard_id": hazard_id,
        "layer": place.table.name,
        "layer_row": key,
        "changed_at": at,
        "changed_by": by,
        "change": what,
        "source": source.file,
        "mark_id": source.mark_id,
        "digest": source.digest,
        "was": "",
    }
    if changed is not None:
        was = _cells(change, place, key, changed)
        if "photo" in was:
            row["was_photo"] = was.pop("photo") or b""
        row["was"] = json.dumps(was, ensure_ascii=False, sort_keys=True, default=str)
        if shape_too and place.table.geometry is not None:
            row["was_shape"] = _cell(change, place, key, place.table.geometry)
    change.add_row(change.own_or_added(HISTORY), row)


def states_at(path: Path, moment: datetime) -> dict[tuple[str, int], Before]:
    """How rows stood at `moment`, by layer name in lower case and row number; rows without a later change are
    not in it. Raises FarmFileError where the file cannot be read.
    """
    sqlite_file.check(path)
    columns = "lower(layer), layer_row, changed_at, was, was_shape, was_photo"
    try:
        with closing(sqlite_file.connect_to_read(path)) as db:
            if not db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (HISTORY.name,)).fetchone():
                return {}
            rows = db.execute(f"SELECT {columns} FROM {quoted(HISTORY.name)} ORDER BY fid DESC").fetchall()
    except sqlite3.Error as e:
        raise FarmFileError(sqlite_file.sentence(path, e)) from e
    found: dict[tuple[str, int], Before] = {}
    for layer, key, changed_at, was, was_shape, was_photo in rows:
        at = values.moment(changed_at)[0]
        if at is not None and at > moment:
            found[layer, key] = _stepped_back(found.get((layer, key)), was, was_shape, was_photo)
    return found


def _stepped_back(later: Before | None, was: str, was_shape: bytes | None, was_photo: bytes | None) -> Before:
    """One change further back: what it says overrules what later changes said."""
    if not was:
        return Before(False, {}, None)
    cells = dict(later.cells) if later else {}
    cells.update(json.loads(was))
    if was_photo is not None:
        cells["photo"] = was_photo or None
    shape = edit_geometry.to_shape(was_shape) if was_shape else None
    return Before(True, cells, shape or (later.shape if later else None))


def _cells(change: FarmChange, place: Place, key: int, ours: tuple[str, ...]) -> dict[str, Any]:
    return {
        name: _cell(change, place, key, place.columns[name]) if name in place.columns else None for name in ours
    }


def _cell(change: FarmChange, place: Place, key: int, column: str) -> Any:
    table = place.table
    sql = f"SELECT {quoted(column)} FROM {quoted(table.name)} WHERE {quoted(table.key)} = ?"
    return change.db.execute(sql, (key,)).fetchone()[0]
