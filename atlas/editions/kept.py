"""What is taken over from the atlas before as it is, since all it rests on is: pages, the shaded ground, the
machine cards' number; and what each field remembers."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from atlas.editions.disk import UNREADABLE, read_inside
from atlas.editions.keys import code_digest
from atlas.editions.publishing import Staging
from atlas.editions.state import STATE_FILE, FieldState, state_path, unpack
from atlas.errors import ReadBackError
from atlas.farm.farm import Farm
from atlas.farm.records import Parcel
from atlas.pages.context import PageContext
from atlas.pages.machine_cards import machines_page
from atlas.pages.overview_relief import FarmRelief, farm_relief, relief_mark
from atlas.settings import Settings

RELIEF_FILE = "data/state/relief.png.z"


class KeptPages:
    """Takes pages over from the atlas before while all they rest on is as it was, by digests kept in one file."""

    LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)  # stands for the date of a map in what a page rests on

    def __init__(self, stage: Staging, file: str, context: PageContext) -> None:
        self._stage, self._file = stage, file
        self._speakers = context.speakers
        self._now: dict[str, str] = {}
        self._before = self._read()

    def keep(self, path: str, rests_on: str) -> bool:
        """Whether the page was taken over, in every language of the atlas."""
        self._now[path] = hashlib.sha256(f"{code_digest()} {rests_on}".encode()).hexdigest()
        if self._before.get(path) != self._now[path]:
            return False
        return all(self._stage.keep(who.page(path)) for who in self._speakers)

    def keep_all(self, pages: Sequence[str], files: Sequence[str], rests_on: str) -> bool:
        """Whether these pages, in every language, and other files were taken over: all of them or none."""
        self._now[pages[0]] = hashlib.sha256(f"{code_digest()} {rests_on}".encode()).hexdigest()
        before = self._stage.previous
        if before is None or self._before.get(pages[0]) != self._now[pages[0]]:
            return False
        wanted = [*(who.page(page) for page in pages for who in self._speakers), *files]
        there = all((before / f).is_file() and f not in self._stage.damaged for f in wanted)
        return there and all(self._stage.keep(f) for f in wanted)

    def remember(self) -> None:
        self._stage.write(self._file, json.dumps(self._now, sort_keys=True).encode())

    def _read(self) -> dict[str, str]:
        if self._stage.previous is None:
            return {}
        try:
            return dict(json.loads(read_inside(self._stage.previous, self._file)))
        except UNREADABLE:
            return {}


def relief_of(stage: Staging, farm: Farm, settings: Settings, file: str = RELIEF_FILE) -> FarmRelief:
    """The overview's ground: from the atlas before where the same heights are stored, else shaded anew."""
    mark = relief_mark(farm, settings)
    key = "" if mark is None else hashlib.sha256(f"{code_digest()} {mark}".encode()).hexdigest()
    png = _kept_relief(stage.previous, file, key) if key else None
    relief = farm_relief(farm, settings, png)
    if key:
        head = json.dumps({"key": key, "crc": zlib.crc32(relief.png)}).encode()
        stage.write(file, head + b"\n" + relief.png)
    return relief


def _kept_relief(previous: Path | None, file: str, key: str) -> bytes | None:
    if previous is None:
        return None
    try:
        line, _, png = read_inside(previous, file).partition(b"\n")
        head = json.loads(line)
        return png if head["key"] == key and head["crc"] == zlib.crc32(png) else None
    except UNREADABLE:
        return None


def unless_same(stage: Staging, context: PageContext) -> PageContext:
    """The context that gives the machine cards the number they last changed in."""
    number, issued = machines_number(stage, context)
    return replace(context, number=number, issued_at=datetime.fromisoformat(issued))


def machines_number(stage: Staging, context: PageContext) -> tuple[int, str]:
    """Map number and date in which the machine cards last changed: the old ones if they would read the same."""
    now = (context.number, context.issued_at.isoformat())
    if stage.previous is None:
        return now
    try:
        number, issued = json.loads(read_inside(stage.previous, STATE_FILE))["machines"]
        as_before = replace(context, number=int(number), issued_at=datetime.fromisoformat(issued))
        same = all(read_inside(stage.previous, n) == c for n, c in machines_page(as_before).items())
    except UNREADABLE:
        return now
    return (as_before.number, issued) if same else now


def states_of(stage: Staging, parcels: Iterable[Parcel]) -> Iterator[FieldState]:
    for parcel in parcels:
        state = unpack((stage.folder / state_path(parcel.slug)).read_bytes())
        if state is None:
            raise ReadBackError(f"{stage.folder}: what was just written reads back damaged; check the disk.")
        yield state
