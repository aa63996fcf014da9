"""Takes marks files from tablets into the farm file: all of it in one transaction, or nothing.

Every mark is tried within the transaction and undone if the whole is not to stand, so a dry run shows exactly what
would happen. A feature once taken in is known by its digest and its id; bringing it again changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from shapely.geometry.base import BaseGeometry

from atlas.errors import RowError
from atlas.farm import change_clock, change_hazards, change_history, schema, values
from atlas.farm.change import (
    DEFAULTS,
    LON_LAT,
    aware,
    in_farm,
    retire_row,
)
from atlas.farm.change_checks import NOTE_CHARACTERS
from atlas.farm.change_fields import nearest_field
from atlas.farm.change_hazards import Standing
from atlas.farm.change_history import Source
from atlas.farm.change_places import FarmChange, changing
from atlas.farm.edit import WAIT_S
from atlas.farm.marks import MarksFile, MarksFileError, Refused, read_marks
from atlas.farm.marks_row import Mark
from atlas.farm.takein_known import Known
from atlas.farm.takein_merge import joined_text, merged
from atlas.farm.takein_report import TakeInReport, TakeInRow
from atlas.farm.takein_spots import Spots
from atlas.settings import Settings

NEAR_FIELD_M = 25.0
WIDEST_M = 5_000.0
UNTIMED = "marks without a time count as older than that"
SAME_PLACE_M = 0.05  # degrees in a file and metres in the farm differ by rounding


class _Undone(Exception):  # noqa: N818 (no error: it ends the transaction without writing)
    pass


def take_in(
    path: Path,
    files: Iterable[Path],
    dry_run: bool = False,
    merge: bool = False,
    skip_refused: bool = False,
    now: datetime | None = None,
    settings: Settings = DEFAULTS,
    wait_s: float = WAIT_S,
) -> TakeInReport:
    """Take in marks files and report every feature of them.

    Nothing is written on a dry run, or when a feature is refused and `skip_refused` is not set; the report says
    so. `merge` makes one marking of marks at the same spot. Raises FarmFileError where the farm file itself
    cannot be changed.
    """
    moment = aware(now)
    paths = [Path(file) for file in files]
    read = [_read(file, moment) for file in paths]
    with_marks = [file for file in read if isinstance(file, MarksFile)]
    found: list[TakeInRow] = [row for row in read if isinstance(row, TakeInRow)]
    said: list[str] = []
    try:
        with changing(path, settings, wait_s) as change:
            latest = change_clock.not_before(change, moment, said.append, UNTIMED)
            found += _Run(change, moment, latest, merge).all(with_marks)
            held_back = any(row.status == "refused" for row in found) and not skip_refused
            changes = any(row.status not in ("refused", "already here") for row in found)
            if dry_run or held_back or not changes:
                raise _Undone
        written = True
    except _Undone:
        written = False
    order = {file: place for place, file in enumerate(dict.fromkeys(paths))}
    rows_in_order = sorted(found, key=lambda row: (order[row.file], row.number))
    return TakeInReport(tuple(rows_in_order), written, dry_run, (*said, *_notes(with_marks, settings)))


def _read(path: Path, now: datetime) -> MarksFile | TakeInRow:
    try:
        return read_marks(path, now)
    except MarksFileError as e:
        return TakeInRow(path, 0, "refused", why=str(e))


def _notes(files: Iterable[MarksFile], settings: Settings) -> tuple[str, ...]:
    ours = settings.farm.name.strip()
    return tuple(
        f"{file.path}: was made for the farm '{file.farm}', this one is '{ours}'."
        for file in files
        if ours and file.farm and file.farm.strip() != ours
    )


class _Run:
    """One pass over the marks, oldest first, on an open change."""

    def __init__(self, change: FarmChange, now: datetime, latest: datetime, merge: bool) -> None:
        self.change = change
        self.now = now
        self.latest = latest
        self.merge = merge
        self.known = Known(change)
        self.spots = Spots(change_hazards.all_standing(change))

    def all(self, files: Iterable[MarksFile]) -> list[TakeInRow]:
        found = []
        marks: list[tuple[MarksFile, Mark]] = []
        for file in files:
            for row in file.marks:
                if isinstance(row, Refused):
                    found.append(TakeInRow(file.path, row.number, "refused", why=row.why))
                else:
                    marks.append((file, row))
        marks.sort(key=lambda pair: (pair[1].seen_at or self.now, pair[1].word != "new"))
        return found + [self._one(file, mark) for file, mark in marks]

    def _one(self, file: MarksFile, mark: Mark) -> TakeInRow:
        try:
            if self.known.taken(mark):
                return TakeInRow(file.path, mark.number, "already here", mark.hazard_id, mark.kind)
            source = Source(file.path.name, mark.hazard_id, mark.digest)
            do = {"new": self._new, "still there": self._still_there, "gone": self._gone}[mark.word]
            return do(file.path, mark, source)
        except RowError as e:
            why = str(e).removeprefix(f"{self.change.path}: ")
            return TakeInRow(file.path, mark.number, "refused", mark.hazard_id, mark.kind, why=why)

    def _new(self, path: Path, mark: Mark, source: Source) -> TakeInRow:
        assert mark.shape is not None
        shape = in_farm(self.change, mark.shape, LON_LAT)
        accuracy = schema.ACCURACY_M if mark.accuracy_m is None else mark.accuracy_m
        field_id = self._field(shape, accuracy)
        if (there := self.known.standing(mark.hazard_id)) is not None:
            if there.kind == mark.kind and _same_place(there, shape):
                return TakeInRow(path, mark.number, "already here", mark.hazard_id, mark.kind, field_id)
            raise RowError("its hazard_id belongs to another marking on file; mark it again")
        twin = self.spots.same_spot(mark.kind, shape, accuracy, mark.hazard_id)
        if twin is not None and self.merge:
            return self._merged(path, mark, source, shape, twin, field_id)
        told = {
            "hazard_id": mark.hazard_id,
            "kind": mark.kind,
            "severity": mark.severity,
            "reach_m": mark.reach_m,
            "accuracy_m": mark.accuracy_m,
            "depth_m": mark.depth_m,
            "note": mark.note or None,
            "photo": mark.photo,
            "seen_at": mark.seen_at,
            "seen_by": mark.seen_by or None,
        }
        place = self.change.place_for(shape)
        key = self.change.add_row(place, told, shape)
        place = next(p for p in self.change.hazards if p.table.name == place.table.name)
        change_history.remember(
            self.change, place, key, mark.hazard_id, "taken in", mark.seen_by, self.now, None, source=source
        )
        self._changed(mark.hazard_id)
        self.known.took(mark)
        return TakeInRow(
            path, mark.number, "new", mark.hazard_id, mark.kind, field_id, same_spot=twin.hazard_id if twin else ""
        )

    def _merged(
        self, path: Path, mark: Mark, source: Source, shape: BaseGeometry, twin: Standing, field_id: str
    ) -> TakeInRow:
        one = merged(twin, mark, shape)
        self._write(twin, "merged", mark, one.values, source, one.shape)
        self.known.alias(mark.hazard_id, twin.hazard_id)
        return TakeInRow(
            path, mark.number, "merged", mark.hazard_id, mark.kind, field_id, same_spot=twin.hazard_id
        )

    def _still_there(self, path: Path, mark: Mark, source: Source) -> TakeInRow:
        there = self._referred(mark)
        seen = mark.seen_at or self.now
        row = TakeInRow(path, mark.number, "still there", there.hazard_id, there.kind, self._field_of(there))
        if not there.live and there.retired_at is not None and there.retired_at >= seen:
            return _already(row, f"gone since, {_day(there.retired_at)}")
        if there.live and there.seen_at is not None and there.seen_at >= seen:
            return _already(row, f"seen since, {_day(there.seen_at)}")
        told: dict[str, object] = {"severity": mark.severity, "seen_at": seen}
        if mark.seen_by:
            told["seen_by"] = mark.seen_by
        if mark.note:
            told["note"] = joined_text(there.note, mark.note, NOTE_CHARACTERS)
        if mark.photo is not None:
            told["photo"] = mark.photo
        if not there.live:
            told |= {"retired_at": None, "retired_by": None}
        self._write(there, "still there", mark, told, source)
        return row

    def _gone(self, path: Path, mark: Mark, source: Source) -> TakeInRow:
        there = self._referred(mark)
        seen = mark.seen_at or self.now
        row = TakeInRow(path, mark.number, "gone", there.hazard_id, there.kind, self._field_of(there))
        if not there.live:
            return _already(row, "gone before")
        if there.seen_at is not None and there.seen_at > seen:
            return _already(row, f"seen since, {_day(there.seen_at)}")
        retire_row(self.change, there, mark.seen_by, seen, source, recorded_at=self.latest)
        self._changed(there.hazard_id)
        self.known.took(mark)
        return row

    def _write(
        self,
        there: Standing,
        what: str,
        mark: Mark,
        told: dict[str, object],
        source: Source,
        shape: BaseGeometry | None = None,
    ) -> None:
        change_history.remember(
            self.change, there.place, there.key, there.hazard_id, what, mark.seen_by, self.now,
            tuple(told), shape_too=shape is not None, source=source,
        )  # fmt: skip
        if shape is not None and not values.text(there.cells.get("hazard_id")):
            told = {**told, "hazard_id": there.hazard_id}  # it went by its place, which changes now
        self.change.change_row(there.place, there.key, told, shape)
        self._changed(there.hazard_id)
        self.known.took(mark)

    def _changed(self, hazard_id: str) -> None:
        self.spots.put(change_hazards.find(self.change, hazard_id))

    def _referred(self, mark: Mark) -> Standing:
        return change_hazards.find(self.change, self.known.name_here(mark.hazard_id))

    def _field(self, shape: BaseGeometry, accuracy_m: float) -> str:
        west, south, east, north = shape.bounds
        if max(east - west, north - south) > WIDEST_M:
            raise RowError(f"is more than {WIDEST_M / 1000:.0f} km wide; mark the place alone")
        near = NEAR_FIELD_M + min(accuracy_m, NEAR_FIELD_M)
        found = nearest_field(self.change, shape, near)
        if found.metres > near:
            raise RowError(f"lies more than {near:.0f} m from every field; was it made for another farm?")
        return found.field_id

    def _field_of(self, there: Standing) -> str:
        return "" if there.shape is None else nearest_field(self.change, there.shape, NEAR_FIELD_M).field_id


def _already(row: TakeInRow, why: str) -> TakeInRow:
    return TakeInRow(row.file, row.number, "already here", row.hazard_id, row.kind, row.field_id, why)


def _same_place(there: Standing, shape: BaseGeometry) -> bool:
    return there.shape is not None and there.shape.hausdorff_distance(shape) <= SAME_PLACE_M


def _day(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M UTC")
