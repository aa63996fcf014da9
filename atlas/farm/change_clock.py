"""A computer's clock that was set back, told by rows of the file that are still to come by it.

A build thinks the same of such rows (`atlas.farm.holding`); here it is said, and seen to, before more are written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime

from atlas.errors import RowError
from atlas.farm import values
from atlas.farm.change_places import FarmChange, Place
from atlas.farm.edit_rows import quoted
from atlas.farm.holding import CLOCKS_APART, releases_in_force, still_to_come
from atlas.farm.records import Release, Storm
from atlas.farm.schema import RELEASES, STORMS, LayerSchema

_LONG_AGO = datetime(1, 1, 1, tzinfo=UTC)


Tell = Callable[[str], None]


def in_silence(_sentence: str) -> None:
    """Tells nobody."""


def seen(change: FarmChange, now: datetime, at: datetime | None, tell: Tell) -> datetime:
    """The moment of a row that closes ground: as told (`at`), else now, which is then not before any other
    marking's, or it would look older than that. Where the clock cannot be right, `tell` gets a sentence.

    A storm still to come moves nothing: what was seen before it has to be looked at again.
    """
    if at is not None and at > now + CLOCKS_APART:
        tell(f"what is written down {still_to_come(at, now)}, and counts already; set the clock if it is wrong")
        return at
    marked, _ = _last(change, _markings(change))
    moved = at is None and marked > now + CLOCKS_APART
    not_before(change, now, tell, "what is written down gets the last marking's moment" if moved else "")
    return at if at is not None else max(now, marked)


def not_before(change: FarmChange, now: datetime, tell: Tell, outcome: str) -> datetime:
    """Now, or the newest moment the file tells of, if that is later; `tell` gets a sentence where much later."""
    newest, where = _newest(change)
    if newest > now + CLOCKS_APART:
        outcome = f"{outcome}; " if outcome else ""
        tell(f"{where} {still_to_come(newest, now)}; {outcome}set the clock or the row right")
    return max(now, newest)


def refuse_behind(change: FarmChange, now: datetime, outcome: str, again: str) -> None:
    """Raises RowError, before anything is opened, where rows are still to come by the clock."""
    newest, where = _newest(change)
    if newest > now + CLOCKS_APART:
        raise RowError(
            f"{where} {still_to_come(newest, now)}, {outcome}; set the clock or the row right, then {again} again."
        )


def refuse_ahead(change: FarmChange, now: datetime, told: datetime, what: str, give: str) -> None:
    """Raises RowError for a moment later than the clock and than every row of the file, by more than clocks
    differ: a slip of the pen. Such a storm would end every release until then, such a marking would pass for seen
    after every storm until then, and nothing could be retired.

    A row that is as late tells of a clock that was set back, and then it counts, since it closes ground.
    """
    if told > max(now, _newest(change)[0]) + CLOCKS_APART:
        raise RowError(
            f"{what}: {still_to_come(told, now)}, so it is not written down; give the moment when it {give}, or "
            "set the clock right."
        )


def after_storms_and_releases(change: FarmChange, now: datetime) -> datetime:
    """The moment of a release: now, but not before the last one, which it would not replace.

    Raises RowError where the last storm comes after: the release would not count.
    """
    storm, _ = _last(change, _dated(change, STORMS, "passed_at"))
    if storm > now:
        raise RowError(
            f"{change.path}: a storm {still_to_come(storm, now)}, and ends releases given before; release again "
            "once it has passed."
        )
    release, _ = _last(change, _dated(change, RELEASES, "released_at"))
    return max(now, release)


def still_released(change: FarmChange, now: datetime) -> list[str]:
    """Ids of fields whose release is in force for the next map, sorted."""
    storm, _ = _last(change, _dated(change, STORMS, "passed_at"))
    place = change.have(RELEASES)
    if place is None or not {"field_id", "released_at", "until"} <= set(place.columns):
        return []
    key = quoted(place.table.key)
    fields = change.db.execute(
        f"SELECT {key}, {quoted(place.columns['field_id'])} FROM {quoted(place.table.name)} ORDER BY {key}"
    )
    given, ends = (dict(_moments(change, place, column)) for column in ("released_at", "until"))
    told = [
        Release(values.text(cell), "", "", given[row], ends[row])
        for row, cell in fields
        if row in given and row in ends
    ]
    latest = max(now, _newest(change)[0])
    return sorted(r.field_id for r in releases_in_force(told, [Storm("", storm, "")], now, latest))


def _newest(change: FarmChange) -> tuple[datetime, str]:
    """The newest moment that the file tells of, and the row that does."""
    told = _markings(change) + _dated(change, STORMS, "passed_at") + _dated(change, RELEASES, "released_at")
    return _last(change, told)


def _markings(change: FarmChange) -> list[tuple[Place, str]]:
    return [(place, "seen_at") for place in change.hazards]


def _last(change: FarmChange, told: Iterable[tuple[Place, str]]) -> tuple[datetime, str]:
    found = ((at, place.table.name, key) for place, column in told for key, at in _moments(change, place, column))
    at, layer, key = max(found, default=(_LONG_AGO, "", 0))
    return at, f"{change.path}, layer '{layer}' row {key}:"


def _dated(change: FarmChange, schema: LayerSchema, ours: str) -> list[tuple[Place, str]]:
    place = change.have(schema)
    return [] if place is None else [(place, ours)]


def _moments(change: FarmChange, place: Place, ours: str) -> Iterator[tuple[int, datetime]]:
    """Row number and moment of every row whose moment can be read."""
    if ours not in place.columns:
        return
    table = place.table
    sql = f"SELECT {quoted(table.key)}, {quoted(place.columns[ours])} FROM {quoted(table.name)}"
    for key, cell in change.db.execute(sql):
        try:
            at, _ = values.moment(cell)
        except RowError:
            continue
        if at is not None:
            yield key, at
