"""What markings said on an earlier day, read back from the rows that changes left in `hazard_history`.

A marking's one row says what holds now. Each change first wrote down what it was to overwrite; read newest first,
these rows lead back to any day. `atlas.farm.change_history` writes them.
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

from atlas.errors import FarmFileError, RowError
from atlas.farm import edit_geometry, sqlite_file, values
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
class Before:
    """A marking's row at an earlier moment: what differs from now. `shape` is in the layer's own CRS."""

    existed: bool
    cells: Mapping[str, Any]
    shape: BaseGeometry | None


def states_at(path: Path, moment: datetime) -> dict[str, Before]:
    """How markings stood at `moment`, by `hazard_id` in lower case; those without a later change are not in it. By
    id, since another program that writes a layer anew numbers its rows anew.

    Raises FarmFileError where the file cannot be read.
    """
    sqlite_file.check(path)
    columns = "hazard_id, layer, layer_row, changed_at, was, was_shape, was_photo"
    try:
        with closing(sqlite_file.connect_to_read(path)) as db:
            if not db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (HISTORY.name,)).fetchone():
                return {}
            rows = db.execute(f"SELECT {columns} FROM {HISTORY.name} ORDER BY fid DESC").fetchall()
    except sqlite3.Error as e:
        raise FarmFileError(sqlite_file.sentence(path, e)) from e
    found: dict[str, Before] = {}
    for hazard_id, layer, row, changed_at, was, was_shape, was_photo in rows:
        try:
            at = values.moment(changed_at)[0]
            if at is not None and at > moment:
                key = values.text(hazard_id).lower()
                found[key] = _stepped_back(found.get(key), was, was_shape, was_photo)
        except (RowError, ValueError, TypeError) as e:
            raise FarmFileError(
                f"{path}, layer '{HISTORY.name}', row of {layer} {row}: cannot be read ({e})."
            ) from e
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
