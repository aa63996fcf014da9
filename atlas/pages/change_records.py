"""What is new in a map, as frozen records: found by atlas.editions, read out by the page of changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

What = Literal["new", "worse", "doubt", "seen", "milder", "moved", "gone"]


@dataclass(frozen=True)
class MarkChange:
    """A marking that is new, worse, to be looked at again, seen again, milder, redrawn, or gone."""

    what: What
    kind: str
    severity: int | None
    place: str
    tag: int | None
    note: str


@dataclass(frozen=True)
class GroundChange:
    """What a machine lost of a field, m² (negative: gained), with the driver and grounds compared.

    `closed_m2`: to driving at all. `up_down_m2`: ground that may be driven straight up or down only.
    """

    machine: str
    driver: str
    ground_before: str
    ground: str
    closed_m2: float
    up_down_m2: float


@dataclass(frozen=True)
class FieldChange:
    """One field whose sheet changed. `added` and `removed` are fields themselves new or gone from the file."""

    field_id: str
    name: str
    page: str
    added: bool
    removed: bool
    marks: tuple[MarkChange, ...]
    ground: tuple[GroundChange, ...]
    release: Literal["", "released", "changed", "ended"]
    release_ground: str
    release_until: str
    other: bool  # the sheet changed for another reason: terrain, neighbours, settings, words
    redrawn: bool = False  # its boundary is another one

    @property
    def collect(self) -> bool:
        """Whether old paper of this field must come back: it was there before and says something else now."""
        return not self.added


@dataclass(frozen=True)
class StormNews:
    """A storm that no map before this one knew of."""

    passed_at: str
    note: str


@dataclass(frozen=True)
class MapChanges:
    """All that is new in one map; `in_all` is how many fields it has."""

    number: int
    issued_at: str
    in_all: int
    fields: tuple[FieldChange, ...]
    storms: tuple[StormNews, ...] = ()
