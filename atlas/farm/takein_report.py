"""What taking in did, or would do: one row per feature, in the files' own order, and a table of it to read."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

Status = Literal["new", "still there", "gone", "merged", "already here", "refused"]
STATUSES: tuple[Status, ...] = ("new", "still there", "gone", "merged", "already here", "refused")


@dataclass(frozen=True)
class TakeInRow:
    """One feature; `number` counts from 1, 0 stands for the file as a whole. `same_spot` is another marking's id
    that may be the same one: offered for merging, or merged into.
    """

    file: Path
    number: int
    status: Status
    hazard_id: str = ""
    kind: str = ""
    field_id: str = ""
    why: str = ""
    same_spot: str = ""

    @property
    def sentence(self) -> str:
        """The row's reason with its place in front."""
        place = f"{self.file}, feature {self.number}" if self.number else str(self.file)
        return f"{place}: {self.why.removeprefix(f'{self.file}: ').rstrip('.')}."


@dataclass(frozen=True)
class TakeInReport:
    """`written` says whether the farm file was changed; refused rows hold everything back unless skipped."""

    rows: tuple[TakeInRow, ...]
    written: bool
    dry_run: bool
    notes: tuple[str, ...] = ()

    @property
    def refused(self) -> tuple[TakeInRow, ...]:
        return tuple(row for row in self.rows if row.status == "refused")

    @property
    def offers(self) -> tuple[TakeInRow, ...]:
        """New marks that may be one with another; `--merge` takes them as one."""
        return tuple(row for row in self.rows if row.status == "new" and row.same_spot)

    @property
    def counts(self) -> dict[Status, int]:
        found = Counter(row.status for row in self.rows)
        return {status: found[status] for status in STATUSES}

    @property
    def sentence(self) -> str:
        """How it went, in one sentence, with what to do next."""
        told = ", ".join(f"{number} {status}" for status, number in self.counts.items() if number) or "no marks"
        if self.written:
            return f"Taken in: {told}."
        if self.dry_run:
            return f"Nothing written yet: {told}."
        if self.refused:
            return f"Nothing written: {told}; mend what is refused, or leave it out with --skip-refused."
        return f"Nothing to write: {told}."

    def lines(self) -> list[str]:
        """A table for people: what, kind, field, where it stands in which file, and why."""
        head = ("what", "kind", "field", "file", "row", "")
        body = [
            (row.status, row.kind, row.field_id, row.file.name, str(row.number or ""), _remark(row))
            for row in self.rows
        ]
        widths = [max(len(line[i]) for line in (head, *body)) for i in range(5)]
        return [
            "  ".join(cell.ljust(width) for cell, width in zip(line, [*widths, 0], strict=True)).rstrip()
            for line in (head, *body)
        ]


def _remark(row: TakeInRow) -> str:
    if row.status == "new" and row.same_spot:
        return f"may be one with {row.same_spot}; --merge takes them as one"
    if row.status == "merged":
        return f"now one with {row.same_spot}"
    return " ".join(row.why.removeprefix(f"{row.file}: ").split())
