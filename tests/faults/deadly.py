"""Loaded into a process that surveys for a test: from then on the survey of one field kills that process.

A segmentation fault in a library, or the system short of memory, looks the same from outside.
"""

from __future__ import annotations

import os
import signal
import time
from multiprocessing.connection import Connection

from atlas.driving.machines import Rig
from atlas.farm.farm import Farm
from atlas.farm.records import Parcel
from atlas.running import cores, field
from atlas.running.records import Task
from atlas.settings import Settings
from atlas.survey import FieldSurvey, survey_field

DEADLY = "F007"
_serve = cores.serve  # as it is, whatever a test puts in its place later


def survey(farm: Farm, parcel: Parcel, settings: Settings, rig: Rig) -> FieldSurvey:
    if parcel.field_id == DEADLY:
        os.kill(os.getpid(), signal.SIGKILL)
    return survey_field(farm, parcel, settings, rig)


def serve(pipe: Connection, task: Task) -> None:
    """What a process of `--jobs` runs, but deadly."""
    vars(field)["survey_field"] = survey
    _serve(pipe, task)


def serve_stuck(pipe: Connection, task: Task) -> None:
    """The same, but at that field it stays for ever."""

    def stay(farm: Farm, parcel: Parcel, settings: Settings, rig: Rig) -> FieldSurvey:
        while parcel.field_id == DEADLY:
            time.sleep(1)
        return survey_field(farm, parcel, settings, rig)

    vars(field)["survey_field"] = stay
    _serve(pipe, task)


def dask_setup(worker: object) -> None:
    """Called by a Dask worker that was started with this file as its preload."""
    assert worker is not None
    vars(field)["survey_field"] = survey
