"""One field, from the opened farm to the files of its pages, its paper and its remembered state.

Files are handed back as bytes and written by the build itself: a process that dies in the middle then leaves no
half of a field behind, and a cluster's workers need not see the folder that is built into.
"""

from __future__ import annotations

import traceback
from dataclasses import replace

import shapely

from atlas.editions.polygons import polygons_of
from atlas.editions.state import FieldState, state_path
from atlas.errors import AtlasError
from atlas.farm.farm import Farm
from atlas.farm.records import Parcel
from atlas.grid import Bounds
from atlas.pages.context import Home, home_of
from atlas.pages.figures import field_figures
from atlas.pages.overview import entry_of
from atlas.pages.sheet import field_sheet, shown_set
from atlas.pages.walk_entry import stops_of
from atlas.paper.field import field_pdfs
from atlas.running.pieces import Piece
from atlas.running.records import Failure, Job, Outcome, Task
from atlas.survey import hazards_that_matter, survey_field


def attempt(task: Task, farm: Farm, job: Job) -> Outcome:
    """Survey one field. Whatever goes wrong is told in the outcome, so that the other fields go on."""
    parcel = farm.parcels[job.place]
    try:
        return _attempt(task, farm, parcel, home_of(farm, parcel), job)
    finally:  # what a shape was prepared with takes more than the shape, and the farm keeps its shapes
        near = hazards_that_matter(farm, Bounds(*parcel.shape.bounds), task.settings)
        shapely.destroy_prepared([parcel.shape, *(h.shape for h in near)])


def attempt_piece(task: Task, rest: Farm, piece: Piece) -> Outcome:
    """The same where the farm's rows came with the field."""
    return _attempt(task, piece.within(rest), piece.parcel, piece.home, piece.job)


def _attempt(task: Task, farm: Farm, parcel: Parcel, home: Home, job: Job) -> Outcome:
    try:
        return Outcome(job, field_files(task, farm, parcel, home, job.key))
    except AtlasError as e:
        return Outcome(job, {}, Failure(str(e), trace=traceback.format_exc()))
    except Exception as e:  # a fault of ours must cost this field only
        what = f"{type(e).__name__}: {e}" if str(e) else type(e).__name__
        reason = f"{named(task, parcel)}: field-atlas failed by a fault of its own ({what}); --debug shows where."
        return Outcome(job, {}, Failure(reason, True, traceback.format_exc()))


def named(task: Task, parcel: Parcel) -> str:
    """A field as a sentence begins with it."""
    return f"{task.farm_path}, field '{parcel.field_id}' ({parcel.name})"


def field_files(task: Task, farm: Farm, parcel: Parcel, home: Home, key: str) -> dict[str, bytes]:
    """The field's pages, paper and state by path. Raises AtlasError where it cannot be surveyed."""
    context = replace(task.context, home=home)
    survey = survey_field(farm, parcel, task.settings, context.rig)
    files = field_sheet(survey, context)
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
    return {**files, state_path(parcel.slug): state.pack()}
