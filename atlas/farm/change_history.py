"""Writes down what a marking said before it is changed, so that a day's map can be made again.

A row is added to `hazard_history` before a marking's own row changes, and when a marking comes in from a tablet
after the day it was seen; `atlas.farm.history` reads them back.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from atlas.farm.change_places import FarmChange, Place
from atlas.farm.edit_rows import quoted
from atlas.farm.history import HISTORY


@dataclass(frozen=True)
class Source:
    """Where a change comes from: nothing for one made by hand."""

    file: str = ""
    mark_id: str = ""
    digest: str = ""


BY_HAND = Source()


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


def _cells(change: FarmChange, place: Place, key: int, ours: tuple[str, ...]) -> dict[str, Any]:
    return {
        name: _cell(change, place, key, place.columns[name]) if name in place.columns else None for name in ours
    }


def _cell(change: FarmChange, place: Place, key: int, column: str) -> Any:
    table = place.table
    sql = f"SELECT {quoted(column)} FROM {quoted(table.name)} WHERE {quoted(table.key)} = ?"
    return change.db.execute(sql, (key,)).fetchone()[0]
