"""From what there is to look at in each field to walks of sensible length, each from way in to way in.

Fields are ordered by nearest next and untying (2-opt), the places within a field the same way, unconfirmed
markings before likely wet places; then the ways in are chosen that make the whole quickest. The same fields give
the same walks.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from atlas.driving.walk_kernel import nearest_next, untie
from atlas.driving.walk_records import At, FarmWalks, FieldStops, Gate, Stop, Visit, Walk

# Naismith's rule (Scottish Mountaineering Club Journal 2, 1892, page 136): an hour for the distance on the
# map and another for every 2,000 feet climbed, here 600 m; his three miles an hour come down to 4 km off
# paths (Aitken 1977, as quoted since Langmuir, Mountaincraft and Leadership, 1984). All this from memory. To
# look, and to write down what one sees: our own estimate, no source.
METRES_PER_HOUR = 4000.0
CLIMB_PER_HOUR = 600.0
STOP_MINUTES = 3.0

MOST_MINUTES = 120.0  # of one walk, where fields allow it
MOST_IN_A_VISIT = 20  # stops; a field with more is visited more than once
MOST_GATES = 4  # of one field, the nearest to its stops
MOST_LIKELY = 200  # likely wet places of one farm; unconfirmed markings are never left out


@dataclass(frozen=True)
class _Way:
    """One way through a field: by which gates, past its stops in which order, and how long it takes."""

    enter: Gate | None
    leave: Gate | None
    stops: tuple[Stop, ...]
    minutes: float

    @property
    def first(self) -> At:
        return self.enter.at if self.enter else self.stops[0].at

    @property
    def last(self) -> At:
        return self.leave.at if self.leave else self.stops[-1].at


@dataclass(frozen=True)
class _Group:
    """Stops of one field that are visited together, and the ways to do it."""

    field: FieldStops
    ways: tuple[_Way, ...]

    @property
    def unconfirmed(self) -> bool:
        return self.ways[0].stops[0].unconfirmed


def plan(fields: Sequence[FieldStops]) -> tuple[FarmWalks, ...]:
    """Every farm's walks. A farm with nothing to look at has none."""
    farms: dict[str, list[FieldStops]] = {}
    for field in fields:
        farms.setdefault(field.farm, []).append(field)
    return tuple(_farm_walks(farm, of) for farm, of in farms.items())


def minutes_between(a: At, b: At) -> float:
    """Straight from `a` to `b` by Naismith's rule; where a height is not known, as on the level."""
    return far(a, b) / METRES_PER_HOUR * 60 + climb(a, b) / CLIMB_PER_HOUR * 60


def far(a: At, b: At) -> float:
    return math.hypot(a.x - b.x, a.y - b.y)


def climb(a: At, b: At) -> float:
    """Metres climbed from `a` to `b`; going down counts nothing."""
    return 0.0 if a.height_m is None or b.height_m is None else max(0.0, b.height_m - a.height_m)


def _farm_walks(farm: str, fields: Sequence[FieldStops]) -> FarmWalks:
    known = _each_once(fields)
    chosen = _bounded(known)
    groups = [g for field in chosen for g in _groups(field)]
    walks: list[Walk] = []
    for route in _routes(groups):
        first = 1 + sum(len(w.stops) for w in walks)
        walks.append(_walk(route, len(walks) + 1, first))
    left_out = sum(len(f.stops) for f in known) - sum(len(f.stops) for f in chosen)
    return FarmWalks(farm, tuple(walks), left_out)


def _each_once(fields: Sequence[FieldStops]) -> list[FieldStops]:
    """A marking that concerns several fields is looked at from the one it lies in, or nearest to."""
    nearest: dict[str, tuple[float, int]] = {}
    for i, field in enumerate(fields):
        for stop in field.stops:
            nearest[stop.key] = min(nearest.get(stop.key, (math.inf, 0)), (stop.off_m, i))
    return [replace(f, stops=tuple(s for s in f.stops if nearest[s.key][1] == i)) for i, f in enumerate(fields)]


def _bounded(fields: list[FieldStops]) -> list[FieldStops]:
    """At most `MOST_LIKELY` likely wet places: every field's likeliest before any field's second."""
    likely = [(s.rank, -s.index, i, s.key) for i, f in enumerate(fields) for s in f.stops if not s.unconfirmed]
    kept = {key for _, _, _, key in sorted(likely)[:MOST_LIKELY]}
    return [replace(f, stops=tuple(s for s in f.stops if s.unconfirmed or s.key in kept)) for f in fields]


def _groups(field: FieldStops) -> list[_Group]:
    stops = sorted(field.stops, key=lambda s: (not s.unconfirmed, s.rank))
    if len(stops) > MOST_IN_A_VISIT:
        stops = _in_order(stops, None, None)
    parts = [stops[i : i + MOST_IN_A_VISIT] for i in range(0, len(stops), MOST_IN_A_VISIT)]
    return [_Group(field, _ways(field, part)) for part in parts]


def _routes(groups: list[_Group]) -> list[list[_Group]]:
    """Groups in walking order, one list for each walk. All in one walk where there is time for it, else first the
    fields with unconfirmed markings, then the others."""
    together = _parts(_route(groups))
    if len(together) <= 1:
        return together
    urgent = [g for g in groups if g.unconfirmed]
    others = [g for g in groups if not g.unconfirmed]
    return _parts(_route(urgent)) + _parts(_route(others))


def _route(groups: list[_Group]) -> list[_Group]:
    """All groups in one line, begun at the one farthest out."""
    if len(groups) < 2:
        return groups
    x = np.array([sum(w.first.x for w in g.ways) / len(g.ways) for g in groups])
    y = np.array([sum(w.first.y for w in g.ways) / len(g.ways) for g in groups])
    alike = np.zeros(len(groups), dtype=np.int64)
    start = int(np.argmax(np.hypot(x - x.mean(), y - y.mean())))
    order = untie(x, y, alike, nearest_next(x, y, alike, start))
    return [groups[i] for i in order]


def _parts(route: list[_Group]) -> list[list[_Group]]:
    """The line cut into as few walks as the time of one allows, as even as the fields allow."""
    if not route:
        return []
    ways = _quickest(route)
    inside = [w.minutes for w in ways]
    before = [0.0, *(minutes_between(a.last, b.first) for a, b in itertools.pairwise(ways))]
    fewest = len(_cuts(inside, before, MOST_MINUTES))
    low, high = max(inside), max(MOST_MINUTES, max(inside))
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (low, middle) if len(_cuts(inside, before, middle)) <= fewest else (middle, high)
    return [route[cut.start : cut.stop] for cut in _cuts(inside, before, high)]


def _cuts(inside: list[float], before: list[float], most: float) -> list[range]:
    """Stretches of the line, each filled up to `most` minutes before the next begins."""
    starts, spent = [0], inside[0]
    for i in range(1, len(inside)):
        spent += before[i] + inside[i]
        if spent > most:
            starts.append(i)
            spent = inside[i]
    return [range(a, b) for a, b in itertools.pairwise([*starts, len(inside)])]


def _quickest(route: list[_Group]) -> list[_Way]:
    """For each group the way through that makes the whole line quickest."""
    options = [group.ways for group in route]
    spent = [w.minutes for w in options[0]]
    came: list[list[int]] = []
    for before, here in itertools.pairwise(options):
        reach = [[s + minutes_between(b.last, h.first) for s, b in zip(spent, before, strict=True)] for h in here]
        came.append([min(range(len(r)), key=r.__getitem__) for r in reach])
        spent = [r[best] + h.minutes for r, best, h in zip(reach, came[-1], here, strict=True)]
    at = min(range(len(spent)), key=spent.__getitem__)
    picked = [at]
    for back in reversed(came):
        at = back[at]
        picked.append(at)
    return [ways[i] for ways, i in zip(options, reversed(picked), strict=True)]


def _ways(field: FieldStops, stops: Sequence[Stop]) -> tuple[_Way, ...]:
    """In and out by each of the ways in nearest to the stops; one way where none is on file."""

    def away(gate: Gate) -> float:
        return min(far(gate.at, s.at) for s in stops)

    gates: list[Gate | None] = [*sorted(field.gates, key=away)[:MOST_GATES]]
    gates = gates or [None]
    return tuple(_way(stops, enter, leave) for enter, leave in itertools.product(gates, gates))


def _way(stops: Sequence[Stop], enter: Gate | None, leave: Gate | None) -> _Way:
    ordered = tuple(_in_order(stops, enter, leave))
    line = [*([enter.at] if enter else []), *(s.at for s in ordered), *([leave.at] if leave else [])]
    walked = sum(minutes_between(a, b) for a, b in itertools.pairwise(line))
    return _Way(enter, leave, ordered, walked + STOP_MINUTES * len(ordered))


def _in_order(stops: Sequence[Stop], enter: Gate | None, leave: Gate | None) -> list[Stop]:
    """Unconfirmed markings first, then likely wet places, each lot the short way round between the gates."""
    places: list[tuple[At, int, Stop | None]] = [(enter.at, -1, None)] if enter else []
    places += [(s.at, 0 if s.unconfirmed else 1, s) for s in stops]
    places += [(leave.at, 2, None)] if leave else []
    x, y = np.array([at.x for at, _, _ in places]), np.array([at.y for at, _, _ in places])
    group = np.array([g for _, g, _ in places], dtype=np.int64)
    order = untie(x, y, group, nearest_next(x, y, group, int(np.argmin(group))))
    return [stop for i in order if (stop := places[i][2]) is not None]


def _walk(route: list[_Group], number: int, first: int) -> Walk:
    visits: list[Visit] = []
    for group, way in zip(route, _quickest(route), strict=True):
        visits.append(Visit(group.field, way.enter, way.leave, way.stops, first))
        first += len(way.stops)
    legs = [*itertools.pairwise([p.at for v in visits for p in v.places])]
    return Walk(
        number,
        tuple(visits),
        length_m=sum(far(a, b) for a, b in legs),
        climb_m=sum(climb(a, b) for a, b in legs),
        minutes=sum(minutes_between(a, b) for a, b in legs) + STOP_MINUTES * sum(len(v.stops) for v in visits),
    )
