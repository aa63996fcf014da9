"""The page of changes where each farm has one of its own: which farms have news, map by map, newest first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from atlas.pages.change_records import MapChanges
from atlas.pages.changes import ToldStorm, told_storms
from atlas.pages.context import Home, PageContext
from atlas.pages.render import pages, when

MOST_MAPS = 12


@dataclass(frozen=True)
class FarmChanges:
    """How many of a farm's fields each map changed: by the map's number."""

    home: Home
    fields: dict[int, int]
    issued: dict[int, str]

    @staticmethod
    def of(home: Home, changes: Sequence[MapChanges]) -> FarmChanges:
        issued = {m.number: m.issued_at for m in changes}
        return FarmChanges(home, {m.number: len(m.fields) for m in changes}, issued)


@dataclass(frozen=True)
class FarmNews:
    """One farm's line below a map."""

    home: Home
    fields: int


@dataclass(frozen=True)
class MapNews:
    """One map: storms it is the first to know of, farms with news, and names of fields that are gone and were no
    farm's that is still there."""

    number: int
    issued: str
    storms: tuple[ToldStorm, ...]
    farms: tuple[FarmNews, ...]
    gone: tuple[str, ...]


def changes_farms_page(
    farms: Sequence[FarmChanges], gone: Sequence[MapChanges], missing: Sequence[str], ctx: PageContext
) -> dict[str, bytes]:
    """changes.html in every language; `gone` holds, by map, removed fields that no farm's page tells of and new
    storms, `missing` the names of fields that are not on the current map."""
    issued = {m.number: m.issued_at for m in gone}
    for farm in farms:
        issued |= farm.issued
    issued[ctx.number] = ctx.issued_at.isoformat()
    numbers = sorted(issued, reverse=True)[:MOST_MAPS]

    def told() -> dict[str, object]:
        return {"maps": [_map(n, issued[n], farms, gone) for n in numbers], "missing": list(missing)}

    return pages("changes.html", "changes_farms.html", ctx, told)


def _map(number: int, issued: str, farms: Sequence[FarmChanges], gone: Sequence[MapChanges]) -> MapNews:
    news = tuple(FarmNews(f.home, f.fields[number]) for f in farms if f.fields.get(number))
    names = tuple(f.name for m in gone if m.number == number for f in m.fields)
    storms = tuple(s for m in gone if m.number == number for s in told_storms(m))
    return MapNews(number, when(datetime.fromisoformat(issued)), storms, news, names)
