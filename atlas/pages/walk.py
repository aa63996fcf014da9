"""The page to walk by: what to look at after a storm, in walking order, to print or to carry."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from atlas.driving.walk import CLIMB_PER_HOUR, METRES_PER_HOUR, MOST_MINUTES, STOP_MINUTES
from atlas.driving.walk_records import FarmWalks, Stop, Walk
from atlas.farm import slugs
from atlas.pages.context import Home, PageContext
from atlas.pages.overview_entry import OverviewEntry
from atlas.pages.render import number, pages
from atlas.pages.walk_map import Ground, WalkDrawing, draw_walk
from atlas.words import N_, SEVERITIES

WET_FOUND = N_("firm under the boot")
BANK_FOUND = (N_("as it was marked"), N_("cracked or bulging"), N_("further back than marked"))


@dataclass(frozen=True)
class WalkSheet:
    """One walk as the page shows it."""

    walk: Walk
    drawing: WalkDrawing
    length: str
    climb: str
    time: str


@dataclass(frozen=True)
class WalkLine:
    """One farm in the list of farms, where there are several."""

    home: Home
    walks: int
    unconfirmed: int
    places: int


Keep = Callable[[str, str], bool]


def _keep_none(_path: str, _rests_on: str) -> bool:
    return False


def walk_pages(
    farms: Sequence[FarmWalks],
    entries: Sequence[OverviewEntry],
    ctx: PageContext,
    crs_wkt: str,
    keep: Keep = _keep_none,
) -> dict[str, bytes]:
    """`walk.html`: one farm's walks, or where the file holds several farms a list of them, with a page for each
    in `walks/`.

    `keep` is asked for each farm's page, with all it rests on beside our own code and the map's number, whether
    it has taken the page over from the map before; such a page is left out.
    """
    if len(farms) <= 1:
        farm = farms[0] if farms else FarmWalks("", (), 0)
        if keep("walk.html", _rests_on(farm, entries, ctx, crs_wkt)):
            return {}
        return farm_walk_page("walk.html", farm, entries, ctx, crs_wkt)
    files: dict[str, bytes] = {}
    lines = []
    names = slugs.give((f.farm, f"farm {i}") for i, f in enumerate(farms, 1))
    for farm, name in zip(farms, names, strict=True):
        own = [e for e in entries if e.farm == farm.farm]
        if not keep(f"walks/{name}.html", _rests_on(farm, own, ctx, crs_wkt)):
            files |= farm_walk_page(f"walks/{name}.html", farm, own, ctx, crs_wkt)
        lines.append(walk_line(farm, Home(name, farm.farm)))
    return walk_list_page(lines, ctx, together=True) | files


def walk_line(farm: FarmWalks, home: Home) -> WalkLine:
    """What the list of farms says of one farm's walks."""
    stops = [s for w in farm.walks for _, s in w.stops]
    return WalkLine(home, len(farm.walks), sum(s.unconfirmed for s in stops), len(stops))


def walk_list_page(lines: Sequence[WalkLine], ctx: PageContext, together: bool = False) -> dict[str, bytes]:
    """walk.html where each farm's walks have a page of their own; `together`: all are in one file of waypoints."""
    return pages("walk.html", "walk_farms.html", ctx, lambda: {"farms": lines, "together": together})


def _rests_on(farm: FarmWalks, entries: Sequence[OverviewEntry], ctx: PageContext, crs_wkt: str) -> str:
    told = replace(ctx, number=0, issued_at=datetime(1970, 1, 1, tzinfo=UTC))
    return repr((farm, [e.as_json() for e in entries], told, crs_wkt))


def farm_walk_page(
    path: str, farm: FarmWalks, entries: Sequence[OverviewEntry], ctx: PageContext, crs_wkt: str
) -> dict[str, bytes]:
    """One farm's walks; `entries` are its fields."""
    grounds = [Ground.of(e) for e in entries]
    drawings = [draw_walk(w, grounds, crs_wkt) for w in farm.walks]
    return pages(path, "walk.html", ctx, lambda: _values(farm, drawings))


def _values(farm: FarmWalks, drawings: Sequence[WalkDrawing]) -> dict[str, object]:
    return {
        "farm": farm,
        "sheets": [_sheet(w, d) for w, d in zip(farm.walks, drawings, strict=True)],
        "urgent": [(n, v.field, s) for w in farm.walks for v in w.visits for n, s in v.numbered if s.unconfirmed],
        "found": found,
        "speed": number(METRES_PER_HOUR / 1000, 0),
        "climbing": number(CLIMB_PER_HOUR),
        "stop_minutes": number(STOP_MINUTES),
        "most": minutes(MOST_MINUTES),
    }


def _sheet(walk: Walk, drawing: WalkDrawing) -> WalkSheet:
    return WalkSheet(
        walk,
        drawing,
        length(walk.length_m),
        f"{number(round(walk.climb_m, -1))} m",
        minutes(walk.minutes),
    )


def length(metres: float) -> str:
    """A walk's length, no finer than it is known: "350 m", "1.3 km"."""
    return f"{number(metres / 1000, 1)} km" if metres >= 1000 else f"{number(round(metres, -1))} m"


def minutes(value: float) -> str:
    """Time to the next five minutes: "55 min", "1 h 20 min"."""
    fives = max(5, 5 * -(-round(value) // 5))
    hours, rest = divmod(fives, 60)
    words = [f"{hours} h"] if hours else []
    words += [f"{rest} min"] if rest else []
    return " ".join(words)


def found(stop: Stop) -> tuple[str, ...]:
    """The boxes to tick for what one finds; labels to be translated."""
    if stop.kind == "unstable_bank":
        return BANK_FOUND
    return (WET_FOUND, *SEVERITIES.values())
