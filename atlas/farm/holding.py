"""What of a farm file's rows holds at a moment, and what to think of rows that claim to be still to come.

Asked for an earlier day, later rows are left out. Asked for now, a later row is the sign of a clock that is wrong,
here or where the row was written: it holds where it closes ground and does not where it opens it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from atlas.farm.records import Hazard, Release, Remark, Storm
from atlas.farm.table import Row

STORM_KINDS = ("wet_spot", "unstable_bank")
CLOCKS_APART = timedelta(minutes=10)  # what two clocks may differ by without a word; tablets' marks as well
_IT_COUNTS = "it counts where it closes ground, and no release that ends before it counts"


class Now(datetime):
    """The moment a build runs at, as against a day that somebody asked for. Has surely come."""

    @classmethod
    def at(cls, moment: datetime) -> Now:
        m = moment.astimezone(UTC)
        return cls(m.year, m.month, m.day, m.hour, m.minute, m.second, m.microsecond, UTC)


@dataclass(frozen=True)
class Holding:
    """What counts: live markings, storms that have passed, releases in force, and what to say about it."""

    hazards: tuple[Hazard, ...]
    storms: tuple[Storm, ...]
    releases: tuple[Release, ...]
    remarks: tuple[Remark, ...]


def holding(
    hazards: Sequence[tuple[Hazard, Row]],
    storms: Sequence[Storm],
    releases: Sequence[Release],
    when: datetime,
) -> Holding:
    """What holds at `when`; storms come in the order in which they were over."""
    latest, said = when, tuple[Remark, ...]()
    if isinstance(when, Now):
        newest, row = max(
            _dated(hazards, storms, releases), key=lambda d: d[0], default=(when, Remark("", "", ""))
        )
        latest = max(when, newest)
        if newest > when + CLOCKS_APART:
            text = f"{still_to_come(newest, when)}: {_IT_COUNTS}; set the clock or the row right"
            said = (replace(row, text=text),)
    passed = tuple(s for s in storms if s.passed_at <= latest)
    live = (hazard for hazard, row in hazards if _in_force(hazard, row, when, latest))
    return Holding(
        tuple(_after_storms(hazard, passed) for hazard in live),
        passed,
        releases_in_force(releases, passed, when, latest),
        said,
    )


def still_to_come(moment: datetime, when: datetime) -> str:
    """What is wrong with a row of `moment`, to begin a sentence with."""
    return f"is of {moment:%Y-%m-%d %H:%M} UTC, still to come by this computer's clock ({when:%Y-%m-%d %H:%M} UTC)"


def _dated(
    hazards: Sequence[tuple[Hazard, Row]], storms: Sequence[Storm], releases: Sequence[Release]
) -> Iterator[tuple[datetime, Remark]]:
    """Rows that can only tell of what has been, and when that was."""
    for hazard, row in hazards:
        if hazard.seen_at is not None:
            yield hazard.seen_at, Remark(row.layer, row.number, "")
    yield from ((s.passed_at, Remark("storms", s.storm_id, "")) for s in storms)
    yield from ((r.released_at, Remark("releases", f"of field {r.field_id}", "")) for r in releases)


def _in_force(hazard: Hazard, row: Row, when: datetime, latest: datetime) -> bool:
    retired = row.moment("retired_at")
    return not (retired is not None and retired <= when) and not (
        hazard.seen_at is not None and hazard.seen_at > latest
    )


def _after_storms(hazard: Hazard, storms: Sequence[Storm]) -> Hazard:
    """A wet spot or bank last seen before the latest storm (or never dated) may have grown since."""
    if not storms or hazard.kind not in STORM_KINDS:
        return hazard
    seen = hazard.seen_at
    return replace(hazard, unconfirmed=seen is None or seen < storms[-1].over_by)


def releases_in_force(
    releases: Sequence[Release], storms: Sequence[Storm], when: datetime, latest: datetime
) -> tuple[Release, ...]:
    """The latest word on each field, where it still holds: given after the last storm, not run out.

    One that is still to come opens nothing, and what it follows no longer holds either.
    """
    newest: dict[str, Release] = {}
    for release in releases:
        if release.released_at > latest or (storms and release.released_at <= storms[-1].over_by):
            continue
        before = newest.get(release.field_id)
        if before is None or release.released_at >= before.released_at:
            newest[release.field_id] = release
    return tuple(r for r in newest.values() if r.released_at <= when and latest < r.until)
