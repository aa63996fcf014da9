"""The first page where each farm has pages of its own: a list of farms, and a finder over all their fields."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC

from atlas.farm.records import Parcel
from atlas.pages.context import Home, PageContext
from atlas.pages.data import script_json
from atlas.pages.overview_entry import OverviewEntry
from atlas.pages.render import pages

MOST_BYTES = 500_000  # of one file the finder loads


@dataclass(frozen=True)
class FarmLine:
    """One farm, or a part of one, in the list: its fields, those released as of issue, markings to look at first,
    how much of its ground is closed without a release (rounded up; None where no zones are known), and the names
    of fields that are not on this map."""

    home: Home
    fields: int
    released: int
    unconfirmed: int
    closed_pct: int | None
    first: str
    last: str
    missing: tuple[str, ...]


def farm_line(home: Home, entries: Sequence[OverviewEntry], missing: Sequence[str], ctx: PageContext) -> FarmLine:
    """What the list says of one farm."""
    now = ctx.issued_at if ctx.issued_at.tzinfo else ctx.issued_at.replace(tzinfo=UTC)
    shares = [e.unreleased.shares for e in entries if e.unreleased]
    area = sum(s.area_m2 for s in shares)
    closed = sum(s.closed_m2 for s in shares)
    names = sorted((e.name for e in entries), key=lambda name: (name.casefold(), name))
    return FarmLine(
        home,
        len(entries),
        sum(e.release is not None and e.release.ends > now for e in entries),
        len({h.hazard_id for e in entries for h in e.unconfirmed}),  # one that concerns two fields is one
        math.ceil(100 * closed / area - 1e-6) if area > 0 else None,
        names[0] if names else "",
        names[-1] if names else "",
        tuple(missing),
    )


def farms_page(lines: Sequence[FarmLine], ctx: PageContext, finds: int) -> dict[str, bytes]:
    """index.html in every language; `finds` is how many files the finder has to load."""
    values = {
        "lines": lines,
        "all": sum(line.fields for line in lines),
        "finds": finds,
        "missing": missing_of(lines),
    }
    return pages("index.html", "farms.html", ctx, lambda: values)


def missing_of(lines: Sequence[FarmLine]) -> list[str]:
    """The names of all fields that are not on this map, farm by farm."""
    return [name for line in lines for name in line.missing]


class FindFiles:
    """assets/find-1.js and so on: every field's name and number, in files small enough to load at once."""

    def __init__(self, write: Callable[[str, bytes], None]) -> None:
        self._write = write
        self._rows: list[str] = []
        self._bytes = 0
        self._count = 0

    def take(self, parcel: Parcel, farm: int, number: int) -> None:
        """A field: which farm in the list (from 0) it belongs to, and its number on that farm's page."""
        row = script_json([parcel.name, parcel.slug, farm, number, parcel.field_id])
        if self._bytes + len(row) > MOST_BYTES:
            self._flush()
        self._rows.append(row)
        self._bytes += len(row) + 2

    def done(self) -> int:
        """Write the rest; how many files there are."""
        if self._rows:
            self._flush()
        return self._count

    def _flush(self) -> None:
        self._count += 1
        text = "window.fieldAtlas.found([\n" + ",\n".join(self._rows) + "\n]);\n"
        self._write(f"assets/find-{self._count}.js", text.encode("ascii"))
        self._rows, self._bytes = [], 0
