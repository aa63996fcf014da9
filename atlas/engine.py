"""Decides what has to be surveyed anew, has it surveyed (atlas.running), and publishes what comes of it.

Each field is written into the staging folder as it comes in, so memory does not grow with the number of fields;
the parent only reads back one field's remembered state at a time.
"""

from __future__ import annotations

import contextlib
import os
import traceback
from collections.abc import Callable, Generator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from atlas.driving.machines import rig
from atlas.editions.beside import beside
from atlas.editions.clock import issue_moment
from atlas.editions.keys import field_key, fingerprint, shared_key, whole_key
from atlas.editions.publishing import Staging, is_atlas, staging
from atlas.editions.shared import load_paper, write_shared
from atlas.editions.state import Edition, previous_edition, previous_head, state_path
from atlas.editions.to_write import ToWrite
from atlas.editions.wholeness import damaged_files
from atlas.editions.whose import check_ours
from atlas.errors import AtlasError, FieldFaultError, ReadBackError
from atlas.farm import datasets
from atlas.farm.farm import Farm
from atlas.farm.heights_said import heights_sentence
from atlas.farm.holding import Now
from atlas.farm.opening import open_farm
from atlas.farm.records import Parcel, Remark
from atlas.pages.context import page_context
from atlas.processes import give_back
from atlas.running import cluster, cores, here
from atlas.running.cluster_check import check_address
from atlas.running.records import Failure, Job, MissingField, Outcome, Task
from atlas.settings import Settings, settings_for

Progress = Callable[[int, int], None]
MANY_FIELDS = 48  # from here on the machine's cores are worth their start-up
NOT_SURVEYED = "could not be surveyed"  # stands for a missing field's key: the next build tries it again


@dataclass(frozen=True)
class BuildReport:
    """What a build did. `failed` holds one sentence per field that could not be surveyed, `traces` where each came
    from; `at_fault`: one of them failed by a fault of ours. `without_memory`: why nothing was taken over from the
    atlas before although it is one, as a trace."""

    out: Path
    edition: Edition
    fields: int
    rewritten: tuple[str, ...]
    failed: tuple[str, ...]
    remarks: tuple[str, ...]
    unchanged: bool
    traces: tuple[str, ...] = ()
    at_fault: bool = False
    without_memory: str = ""
    heights: str = ""  # which terrain, date, cell and uncertainty the verdicts rest on

    @property
    def sentence(self) -> str:
        if self.unchanged:
            return f"Nothing has changed: map {self.edition.number} in {self.out} stays."
        fields = "1 field" if self.fields == 1 else f"{self.fields} fields"
        without = f" without {len(self.failed)} that failed" if self.failed else ""
        return (
            f"Map {self.edition.number} is in {self.out}: {fields}{without}, {len(self.rewritten)} written anew. "
            f"Open {self.out / 'index.html'}"
        )


@dataclass(frozen=True)
class _Order:
    """What was asked for."""

    out: Path
    settings: Settings
    jobs: int | None
    cluster: str | None
    now: datetime
    strict: bool
    progress: Progress | None
    said: list[str] = field(default_factory=list)  # on the way, to be told at the end
    forget: bool = False  # take nothing over from the atlas before but its number


def build(
    farm_path: Path,
    out: Path,
    *,
    settings_path: Path | None = None,
    settings: Settings | None = None,
    jobs: int | None = None,
    cluster: str | None = None,
    as_of: datetime | None = None,
    now: datetime | None = None,
    strict: bool = False,
    progress: Progress | None = None,
) -> BuildReport:
    """Build the next edition of a farm's atlas into `out`.

    Fields are surveyed in as many processes as `jobs` says, or on the Dask cluster whose scheduler is at the
    address `cluster`; the atlas is the same byte for byte. Raises AtlasError for bad input; the atlas that was
    there then stays as it was.
    """
    now, said = issue_moment(out, (now or _clock()).astimezone(UTC).replace(microsecond=0))
    settings = settings or settings_for(farm_path, settings_path)
    if cluster is not None:
        check_address(cluster)
    order = _Order(out, settings, jobs, cluster, now, strict, progress)
    rig(settings)  # refuses settings before the farm file is read
    farm = open_farm(farm_path, settings, as_of or Now.at(now))
    give_back()
    farm = replace(farm, remarks=(*farm.remarks, *said))
    try:
        return _build(farm, order)
    except _NothingNewError as same:
        return same.report
    finally:
        datasets.close()  # so that another program may write the farm file


def _build(farm: Farm, order: _Order) -> BuildReport:
    """With what the atlas before remembers; without it where something does not come of that."""
    try:
        with staging(order.out) as stage:
            return _build_into(stage, farm, order)
    except Exception as e:
        refused = isinstance(e, (AtlasError, FieldFaultError, _NothingNewError))
        if (refused and not isinstance(e, ReadBackError)) or not is_atlas(order.out):
            raise
        why = (
            f"{order.out}: what it remembers cannot be used ({type(e).__name__}), so all fields are surveyed anew"
        )
        farm = replace(farm, remarks=(*farm.remarks, Remark("", "", why)))
        trace = traceback.format_exc()
    with staging(order.out) as stage:  # what fails again was no matter of memory
        return replace(_build_into(stage, farm, replace(order, forget=True)), without_memory=trace)


class _NothingNewError(Exception):
    """Leaves the staging folder without exchanging it: the atlas there already says all this."""

    def __init__(self, report: BuildReport) -> None:
        self.report = report


def _build_into(stage: Staging, farm: Farm, order: _Order) -> BuildReport:
    settings = order.settings
    before = previous_edition(stage.previous)
    if stage.previous is not None:
        check_ours(stage.previous, order.out, farm)
        stage = Staging(stage.folder, stage.previous, damaged_files(stage.previous))
        farm = _with_repairs(farm, stage, order.out)
    stage = Staging(stage.folder, None, stage.damaged) if order.forget else stage
    shared = shared_key(farm, settings)
    keys = {p.slug: field_key(shared, farm, p, settings) for p in farm.parcels}
    whole = whole_key(shared, farm)
    edition = Edition(before.number + 1 if before else 1, order.now, fingerprint(whole, keys.items()))
    report = BuildReport(order.out, edition, len(farm.parcels), (), (), _remarks(farm), False)
    report = replace(report, heights=heights_sentence(farm.terrain, settings))
    if not stage.damaged:
        _stop_if_same(before, report)
    context = page_context(farm, settings, rig(settings), edition.number, edition.issued_at)
    todo = [
        Job(place, p.slug, keys[p.slug])
        for place, p in enumerate(farm.parcels)
        if not (before and _keep(stage, p, keys[p.slug]))
    ]
    worth_it = settings.print.pdf and len(farm.parcels) >= MANY_FIELDS and order.jobs != 1
    with beside(worth_it, load_paper) as other:
        failed = _survey(stage, farm, Task(farm.path, settings, farm.as_of, context), todo, order)
        if failed and (order.strict or len(failed) == len(farm.parcels)):
            raise next(iter(failed.values())).error()
        keys |= {farm.parcels[place].slug: NOT_SURVEYED for place in failed}
        edition = replace(edition, fingerprint=fingerprint(whole, keys.items()))
        report = _with_failures(replace(report, edition=edition), failed)
        if not stage.damaged:
            _stop_if_same(before, report)
        written = [p for place, p in enumerate(farm.parcels) if place not in failed]
        missing = tuple(_missing(farm.parcels[place], why) for place, why in failed.items())
        write_shared(ToWrite(stage, farm, edition, context, written, missing, other))
    rewritten = tuple(job.slug for job in todo if job.place not in failed)
    return replace(report, rewritten=rewritten, remarks=(*report.remarks, *order.said))


def _with_repairs(farm: Farm, stage: Staging, out: Path) -> Farm:
    """The farm with a word on what of the atlas before is lost."""
    if not stage.damaged:
        return farm
    lost = f"{len(stage.damaged)} of its files, such as {min(stage.damaged)}"
    why = f"{out}: {lost}, are missing or not surely as they were written, so they are written anew"
    return replace(farm, remarks=(*farm.remarks, Remark("", "", why)))


def _stop_if_same(before: Edition | None, report: BuildReport) -> None:
    if before is not None and before.fingerprint == report.edition.fingerprint:
        raise _NothingNewError(replace(report, edition=before, unchanged=True))


def _survey(stage: Staging, farm: Farm, task: Task, todo: list[Job], order: _Order) -> dict[int, Failure]:
    """Survey what is to do and write each field's files as they come; what failed, in the farm file's order."""
    failed = {}
    with contextlib.closing(_outcomes(farm, task, todo, order)) as outcomes:
        for done, outcome in enumerate(outcomes, start=1):
            if outcome.failure is not None:
                failed[outcome.job.place] = outcome.failure
            for name, content in outcome.files.items():
                stage.write(name, content)
            if order.progress:
                order.progress(done, len(todo))
    return dict(sorted(failed.items()))


def _outcomes(farm: Farm, task: Task, todo: list[Job], order: _Order) -> Generator[Outcome, None, None]:
    cpus = os.cpu_count() or 1
    if order.cluster is not None and todo:
        return cluster.outcomes(order.cluster, task, farm, todo, order.jobs or cpus, order.said.append)
    count = order.jobs or (cpus if len(todo) >= MANY_FIELDS else 1)
    if count == 1 or len(todo) < 2:
        return here.outcomes(task, farm, todo)
    return cores.outcomes(task, farm, todo, count)


def _with_failures(report: BuildReport, failed: dict[int, Failure]) -> BuildReport:
    return replace(
        report,
        fields=report.fields - len(failed),
        failed=tuple(f.reason for f in failed.values()),
        traces=tuple(f.trace for f in failed.values()),
        at_fault=any(f.ours for f in failed.values()),
    )


def _missing(parcel: Parcel, why: Failure) -> MissingField:
    return MissingField(parcel.field_id, parcel.name, parcel.farm, why.reason)


def _keep(stage: Staging, parcel: Parcel, key: str) -> bool:
    """Take a field's page and state over from the atlas before, if all it rests on is as it was."""
    head = previous_head(stage.previous, parcel.slug)
    if head is None or head.key != key:
        return False
    return all(stage.keep(f) for f in head.files) and stage.keep(state_path(parcel.slug))


def _remarks(farm: Farm) -> tuple[str, ...]:
    return tuple(_said(r.layer, r.row, r.text) for r in farm.remarks)


def _said(layer: str, row: str, text: str) -> str:
    place = " ".join(part for part in (f"layer '{layer}'" if layer else "", f"row {row}" if row else "") if part)
    return f"{place}: {text}" if place else text


def _clock() -> datetime:
    """The moment of issue: now, or what SOURCE_DATE_EPOCH says (reproducible-builds.org's convention)."""
    fixed = os.environ.get("SOURCE_DATE_EPOCH")
    return datetime.fromtimestamp(int(fixed), UTC) if fixed and fixed.isdigit() else datetime.now(UTC)
