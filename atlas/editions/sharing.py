"""Handing on: single-file sheets for tablets, opened from a messenger or a memory stick, and the atlas as one zip.

Nothing is written outside the target, whatever the atlas folder holds.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import BinaryIO

from atlas.editions.disk import read_inside
from atlas.editions.part_files import NAME, moved_into, sweep
from atlas.editions.reading import AtlasFacts, AtlasFolder, SharedField
from atlas.editions.single_file import farm_of_sheet, own_number, single_file
from atlas.errors import OutputError
from atlas.farm.slugs import plain

LONG_AGO = (1980, 1, 1, 0, 0, 0)  # the earliest time a zip can hold; every member gets it
FILE_MODE = 0o100644
Progress = Callable[[int, int], None]
NAMED = 6  # names in one sentence
_HANDED_ON = re.compile(r"(?P<of>.+)-map-(?P<number>[0-9]{1,9})(?:\.[A-Za-z0-9-]+)?\.(?P<kind>html|zip)")


@dataclass(frozen=True)
class ShareReport:
    """What was handed on, by file name in the target folder; `outdated`: sheets and zips of earlier maps that lie
    there too, of fields that have changed since or are no longer in the atlas.
    """

    to: Path
    number: int
    sheets: tuple[str, ...]
    archive: str
    outdated: tuple[str, ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        if not self.outdated:
            return ()
        told = _some(list(self.outdated))
        return (f"{self.to} still holds what is out of date: {told}; delete it, so that nobody drives by it",)

    @property
    def sentence(self) -> str:
        n = len(self.sheets)
        sheets = {0: "no sheet has changed", 1: "1 sheet by itself"}.get(n, f"{n} sheets by themselves")
        return f"Map {self.number} is in {self.to}: {sheets}, and the whole atlas in {self.archive}."


def share(
    build_dir: Path,
    to: Path,
    fields: Sequence[str] = (),
    changed_since: int | None = None,
    progress: Progress | None = None,
) -> ShareReport:
    """Write single-file sheets of an atlas into the folder `to`, and one zip of the whole atlas.

    `fields` are field ids; `changed_since` is a map number: the sheets whose own number is higher. With neither,
    every sheet; with both, those of the named fields that changed. Files of the same names are replaced one by
    one, each in one move; half-written ones that a killed process left are removed, nothing else is touched.

    Raises OutputError where the atlas cannot be read, a field is not in it, or the target cannot be written.
    """
    folder = AtlasFolder(build_dir)
    try:
        facts = folder.facts()
        if changed_since is not None and not 0 <= changed_since <= facts.number:
            raise OutputError(f"{build_dir}: is at map {facts.number}; there is no map {changed_since} before it.")
        chosen = _chosen(folder, facts, fields, changed_since)
        _make_target(to, build_dir)
        names = []
        for done, field in enumerate(chosen, start=1):
            for suffix in facts.suffixes:
                slug = Path(field.page).stem
                content = single_file(f"fields/{slug}{suffix}.html", folder.read, facts.number, facts.issued_at)
                names.append(f"{slug}-map-{facts.number}{suffix}.html")
                _replace(to, names[-1], partial(_write, content))
            if progress:
                progress(done, len(chosen))
        archive = f"{plain(facts.farm) or 'atlas'}-map-{facts.number}"
        _replace(to, f"{archive}.zip", partial(_zip, folder, archive))
        outdated = _outdated(folder, facts, to, archive.rpartition("-map-")[0])
    finally:
        folder.close()
    return ShareReport(to, facts.number, tuple(names), f"{archive}.zip", outdated)


def _outdated(folder: AtlasFolder, facts: AtlasFacts, to: Path, archive: str) -> tuple[str, ...]:
    """Files in `to` that earlier maps of this atlas left there, and that say something else than it does now."""
    pages = {Path(field.page).stem: field.page for field in facts.fields}
    found = []
    try:
        there = sorted(path.name for path in to.iterdir())
    except OSError:  # may be written and not be looked into
        return ()
    for name in there:
        if (told := _HANDED_ON.fullmatch(name)) is None or int(told["number"]) >= facts.number:
            continue
        of, number = told["of"], int(told["number"])
        if told["kind"] == "zip" and of == archive:
            found.append(name)
        elif told["kind"] == "html" and of in pages:
            changed_in = own_number(folder.read(pages[of])) or facts.number
            found += [name] if number < changed_in else []
        elif told["kind"] == "html" and farm_of_sheet(_content(to, name)) == facts.farm:
            found.append(name)  # of a field that is gone, or has another name now
    return tuple(found)


def _content(folder: Path, name: str) -> bytes:
    try:
        return read_inside(folder, name)
    except OSError:
        return b""


def _chosen(folder: AtlasFolder, facts: AtlasFacts, wanted: Sequence[str], since: int | None) -> list[SharedField]:
    known = {f.field_id: f for f in facts.fields}
    for field_id in wanted:
        if field_id not in known:
            raise OutputError(
                f"{folder.path}: map {facts.number} has no field '{field_id}'; it has {_some(list(known))}."
            )
    chosen = [known[field_id] for field_id in dict.fromkeys(wanted)] if wanted else list(facts.fields)
    if since is None:
        return chosen
    return [f for f in chosen if (own_number(folder.read(f.page)) or facts.number) > since]


def _some(names: list[str]) -> str:
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(f"'{name}'" for name in names[:NAMED]) + more


def _make_target(to: Path, build_dir: Path) -> None:
    """The target, without what was left half-written. Raises OutputError for one inside the atlas: the next build
    would sweep it away."""
    if to.resolve().is_relative_to(build_dir.resolve()):
        raise OutputError(f"{to}: is inside the atlas; name a folder beside it.")
    try:
        to.mkdir(parents=True, exist_ok=True)
        sweep(to)
    except OSError as e:
        raise OutputError(f"{to}: cannot be made ({e.strerror}); name another folder with --to.") from e


def _replace(to: Path, name: str, fill: Callable[[BinaryIO], None]) -> None:
    """Write one file under a name of its own, then move it over `name`: a reader sees the old file or the new."""
    if not NAME.fullmatch(name):
        raise OutputError(f"{to}: '{name}' is no name for a file of an atlas.")
    with _told(to / name), moved_into(to, name) as f:
        fill(f)


@contextlib.contextmanager
def _told(target: Path) -> Iterator[None]:
    try:
        yield
    except OSError as e:
        raise OutputError(f"{target}: cannot be written ({e.strerror}); what was there stays.") from e


def _write(content: bytes, sink: BinaryIO) -> None:
    sink.write(content)


def _zip(folder: AtlasFolder, top: str, sink: BinaryIO) -> None:
    """The whole atlas, sorted, every member with the same time: the same atlas gives the same bytes."""
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name in folder.names():
            member = zipfile.ZipInfo(f"{top}/{name}", LONG_AGO)
            member.create_system, member.external_attr = 3, FILE_MODE << 16
            member.compress_type = zipfile.ZIP_DEFLATED
            with folder.open(name) as source:
                member.file_size = os.fstat(source.fileno()).st_size
                with archive.open(member, "w") as into:
                    shutil.copyfileobj(source, into, 1 << 20)
