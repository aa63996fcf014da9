"""Runs the surveys, here in process or on the machine's cores, and publishes what comes of them.

Each field is surveyed, rendered and written into the staging folder by itself, so memory does not grow with the
number of fields; the parent only reads back one field's remembered state at a time.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from atlas.driving.machines import Rig, rig
from atlas.editions.beside import beside, leave_with_parent
from atlas.editions.polygons import polygons_of
from atlas.editions.publishing import Staging, staging
from atlas.editions.shared import load_paper, write_shared
from atlas.editions.state import (
    Edition,
    FieldState,
    field_key,
    fingerprint,
    previous_edition,
    previous_head,
    shared_key,
    state_path,
)
from atlas.errors import AtlasError, OutputError
from atlas.farm import datasets
from atlas.farm.farm import Farm
from atlas.farm.opening import open_farm
from atlas.farm.records import Parcel
from atlas.pages.context import PageContext, page_context
from atlas.pages.figures import field_figures
from atlas.pages.overview import entry_of
from atlas.pages.sheet import field_sheet, shown_set
from atlas.pages.walk_entry import stops_of
from atlas.paper.field import field_pdfs
from atlas.settings import Settings, settings_for
from atlas.survey import survey_field

Progress = Callable[[int, int], None]
MANY_FIELDS = 48  # from here on the machine's cores are worth their start-up


@dataclass(frozen=True)
class BuildReport:
    """What a build did. `failed` holds one sentence per field that could not be surveyed."""

    out: Path
    edition: Edition
    fields: int
    rewritten: tuple[str, ...]
    failed: tuple[str, ...]
    remarks: tuple[str, ...]
    unchanged: bool

    @property
    def sentence(self) -> str:
        if self.unchanged:
            return f"Nothing has changed: map {self.edition.number} in {self.out} stays."
        fields = "1 field" if self.fields == 1 else f"{self.fields} fields"
        return (
            f"Map {self.edition.number} is in {self.out}: {fields}, {len(self.rewritten)} written anew. "
            f"Open {self.out / 'index.html'}"
        )


@dataclass(frozen=True)
class _Task:
    """What every worker needs; small and picklable, the farm file is opened anew in each process."""

    farm_path: Path
    settings: Settings
    as_of: datetime
    context: PageContext
    folder: Path
    shared: str


def build(
    farm_path: Path,
    out: Path,
    *,
    settings_path: Path | None = None,
    settings: Settings | None = None,
    jobs: int | None = None,
    as_of: datetime | None = None,
    now: datetime | None = None,
    strict: bool = False,
    progress: Progress | None = None,
) -> BuildReport:
    """Build the next edition of a farm's atlas into `out`.

    Raises AtlasError for bad input; the atlas that was there then stays as it was.
    """
    now = (now or _clock()).astimezone(UTC).replace(microsecond=0)
    settings = settings or settings_for(farm_path, settings_path)
    machines = rig(settings)
    farm = open_farm(farm_path, settings, as_of or now)
    try:
        with staging(out) as stage:
            return _build_into(stage, out, farm, settings, machines, jobs, now, strict, progress)
    except _NothingNewError as same:
        return same.report
    finally:
        datasets.close()  # so that another program may write the farm file


class _NothingNewError(Exception):
    """Leaves the staging folder without exchanging it: the atlas there already says all this."""

    def __init__(self, report: BuildReport) -> None:
        self.report = report


def _build_into(
    stage: Staging,
    out: Path,
    farm: Farm,
    settings: Settings,
    machines: Rig,
    jobs: int | None,
    now: datetime,
    strict: bool,
    progress: Progress | None,
) -> BuildReport:
    before = previous_edition(stage.previous)
    shared = shared_key(farm, settings)
    keys = {p.slug: field_key(shared, farm, p, settings) for p in farm.parcels}
    print_of_all = fingerprint(shared, keys.items())
    remarks = tuple(_said(r.layer, r.row, r.text) for r in farm.remarks)
    if before is not None and before.fingerprint == print_of_all:
        raise _NothingNewError(BuildReport(out, before, len(farm.parcels), (), (), remarks, True))
    edition = Edition(before.number + 1 if before else 1, now, print_of_all)
    context = page_context(farm, settings, machines, edition.number, edition.issued_at)

    kept = {p.slug for p in farm.parcels if before and _keep(stage, p, keys[p.slug])}
    todo = [p for p in farm.parcels if p.slug not in kept]
    task = _Task(farm.path, settings, farm.as_of, context, stage.folder, shared)
    worth_it = settings.print.pdf and len(farm.parcels) >= MANY_FIELDS and jobs != 1
    with beside(worth_it, load_paper) as other:
        failed = {}
        for done, (slug, reason) in enumerate(_run(task, farm, todo, keys, jobs), start=1):
            if reason:
                failed[slug] = reason
            if progress:
                progress(done, len(todo))
        if failed and (strict or len(failed) == len(farm.parcels)):
            raise next(iter(failed.values()))
        written = [p for p in farm.parcels if p.slug not in failed]
        write_shared(stage, farm, settings, edition, context, written, other)
    return BuildReport(
        out,
        edition,
        len(written),
        tuple(p.slug for p in todo if p.slug not in failed),
        tuple(str(e) for e in failed.values()),
        remarks,
        False,
    )


def _keep(stage: Staging, parcel: Parcel, key: str) -> bool:
    """Take a field's page and state over from the atlas before, if all it rests on is as it was."""
    head = previous_head(stage.previous, parcel.slug)
    if head is None or head.key != key:
        return False
    return all(stage.keep(f) for f in head.files) and stage.keep(state_path(parcel.slug))


def _run(
    task: _Task, farm: Farm, todo: list[Parcel], keys: dict[str, str], jobs: int | None
) -> Iterator[tuple[str, AtlasError | None]]:
    cores = os.cpu_count() or 1
    jobs = jobs or (cores if len(todo) >= MANY_FIELDS else 1)
    if jobs == 1 or len(todo) < 2:
        for parcel in todo:
            yield _one(task, farm, parcel, keys[parcel.slug])
        return
    place = {p.slug: i for i, p in enumerate(farm.parcels)}
    work = [(place[p.slug], keys[p.slug]) for p in todo]
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, spawn, initializer=_start_worker, initargs=(task,)) as pool:
        yield from pool.map(_in_worker, work, chunksize=max(1, min(16, len(work) // (jobs * 4))))


_worker: tuple[_Task, Farm] | None = None


def _start_worker(task: _Task) -> None:
    global _worker
    leave_with_parent()
    _worker = (task, open_farm(task.farm_path, task.settings, task.as_of))


def _in_worker(work: tuple[int, str]) -> tuple[str, AtlasError | None]:
    if _worker is None:
        raise RuntimeError("a worker was used before it was started")
    task, farm = _worker
    index, key = work
    return _one(task, farm, farm.parcels[index], key)


def _one(task: _Task, farm: Farm, parcel: Parcel, key: str) -> tuple[str, AtlasError | None]:
    """Survey one field, write its page and its state. A field that cannot be surveyed is returned with why."""
    try:
        survey = survey_field(farm, parcel, task.settings, task.context.rig)
    except OutputError:
        raise
    except AtlasError as e:
        return parcel.slug, e
    stage = Staging(task.folder, None)
    files = field_sheet(survey, task.context)
    page = next(name for name in files if name.endswith(".html"))
    if task.settings.print.pdf:
        files |= field_pdfs(files, parcel.slug, survey.place, task.context)
    shown = shown_set(survey, task.context)
    _, ground, driver = shown  # polygons are given for every machine
    state = FieldState(
        key,
        task.context.number,
        field_figures(survey, page, shown),
        entry_of(survey, task.context).as_json(),
        stops_of(survey).as_json(),
        polygons_of(survey, ground, driver),
        sorted(files),
    )
    for name, content in files.items():
        stage.write(name, content)
    stage.write(state_path(parcel.slug), state.pack())
    return parcel.slug, None


def _said(layer: str, row: str, text: str) -> str:
    place = " ".join(part for part in (f"layer '{layer}'" if layer else "", f"row {row}" if row else "") if part)
    return f"{place}: {text}" if place else text


def _clock() -> datetime:
    """The moment of issue: now, or what SOURCE_DATE_EPOCH says (reproducible-builds.org's convention)."""
    fixed = os.environ.get("SOURCE_DATE_EPOCH")
    return datetime.fromtimestamp(int(fixed), UTC) if fixed and fixed.isdigit() else datetime.now(UTC)
