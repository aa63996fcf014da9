"""A clock that was set back: maps are numbered on, and no map is dated before the one it replaces."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from atlas.editions.state import previous_edition
from atlas.farm.holding import CLOCKS_APART
from atlas.farm.records import Remark


def issue_moment(out: Path, now: datetime) -> tuple[datetime, tuple[Remark, ...]]:
    """The moment that the next map in `out` is issued at, and what to say where that is not the clock's.

    What had ended when the map before was made has ended, whatever the clock says now.
    """
    before = previous_edition(out)
    if before is None or before.issued_at <= now:
        return now, ()
    said = Remark(
        "",
        "",
        f"this computer's clock says {now:%Y-%m-%d %H:%M} UTC, but map {before.number} in {out} was made at "
        f"{before.issued_at:%Y-%m-%d %H:%M} UTC: that moment counts until the clock is set right; if that map was "
        "made by a clock that ran ahead, build into a new folder",
    )
    return before.issued_at, (said,) if before.issued_at - now > CLOCKS_APART else ()
