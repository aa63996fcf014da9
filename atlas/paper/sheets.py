"""What is bound together, told without loading what binds it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class FieldSheet:
    """A field in the overview's order, and the map its sheet last changed in."""

    slug: str
    name: str
    map_number: int
