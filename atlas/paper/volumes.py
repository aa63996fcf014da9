"""Which sheets are bound together: all in one file while that stays handy, else by farm in volumes of their own,
so that after one mark only the volume with that field is bound anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from atlas.farm import slugs

MOST_BOUND = 400  # sheets in one file: some 40 MB, bound in a few seconds
MOST_TOGETHER = 100  # sheets of several farms in one file: each farm is handed its own


@dataclass(frozen=True)
class FieldSheet:
    """A field in the overview's order, and the map its sheet last changed in."""

    slug: str
    name: str
    map_number: int
    farm: str = ""


@dataclass(frozen=True)
class Volume:
    """Some sheets and their numbers in the overview's list (from 1), bound into the file at `path`."""

    path: str
    title: str
    sheets: tuple[tuple[int, FieldSheet], ...]

    @property
    def rests_on(self) -> str:
        """What the volume's content depends on beside our own code."""
        return repr((self.title, self.sheets))


def volumes(sheets: Sequence[FieldSheet]) -> tuple[Volume, ...]:
    """The volumes beside the atlas itself; none where all sheets fit into that."""
    if len(sheets) <= (MOST_TOGETHER if len({s.farm for s in sheets}) > 1 else MOST_BOUND):
        return ()
    by_farm: dict[str, list[tuple[int, FieldSheet]]] = {}
    for number, sheet in enumerate(sheets, 1):
        by_farm.setdefault(sheet.farm, []).append((number, sheet))
    parts = [
        (farm, tuple(own[start : start + MOST_BOUND]))
        for farm, own in by_farm.items()
        for start in range(0, len(own), MOST_BOUND)
    ]
    names = slugs.give((farm, "sheets") for farm, _ in parts)
    return tuple(Volume(f"print/farms/{n}.pdf", farm, some) for n, (farm, some) in zip(names, parts, strict=True))
