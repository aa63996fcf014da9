"""What a build says where a column or a cell was empty and a default stood in."""

from __future__ import annotations

from collections.abc import Sequence

from atlas.farm.layers import Layer
from atlas.farm.records import Remark
from atlas.farm.schema import HAZARDS, PARCELS, LayerSchema
from atlas.farm.table import Table

DEFAULTS = {
    "reach_m": "5 m is kept away (3 m from a forest edge)",
    "accuracy_m": "the place counts as good to 2 m",
    "severity": "severity 2 is taken",
}
LISTED = 12


def said(layer: Layer, schema: LayerSchema, read: Table) -> list[Remark]:
    """One remark per column that stood empty, naming the rows (all: the column is not there)."""
    if schema is PARCELS and "name" in read.lacking and read.rows:
        return [Remark(layer.name, "", "has no names; the ids stand for them")]
    if schema is not HAZARDS:
        return []
    remarks = []
    for column, taken in DEFAULTS.items():
        asked = (row for row in read if column != "severity" or row.text("kind") == "wet_spot")
        empty = [row.number for row in asked if not row.text(column)]
        if column in read.lacking and read.rows:
            remarks.append(Remark(layer.name, "", f"has no column {column}; {taken}"))
        elif empty:
            remarks.append(Remark(layer.name, listed(empty), f"{column} is empty; {taken}"))
    return remarks


def listed(numbers: Sequence[str]) -> str:
    """Numbers of rows, or ids, in one line: the first of many."""
    more = f" and {len(numbers) - LISTED} more" if len(numbers) > LISTED else ""
    return ", ".join(numbers[:LISTED]) + more
