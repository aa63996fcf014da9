"""What passes between a build and whoever surveys for it: small, frozen and picklable."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from atlas.errors import AtlasError, FieldFaultError
from atlas.pages.context import PageContext
from atlas.settings import Settings


@dataclass(frozen=True)
class Task:
    """What is the same for every field; the farm file is opened anew by each process that surveys."""

    farm_path: Path
    settings: Settings
    as_of: datetime
    context: PageContext


@dataclass(frozen=True)
class Job:
    """One field to survey: its place in the farm's list of parcels, its slug, the key its state is kept under."""

    place: int
    slug: str
    key: str


@dataclass(frozen=True)
class Failure:
    """Why a field, or a whole process, came to nothing. `ours`: by a fault of field-atlas, not of the input."""

    reason: str
    ours: bool = False
    trace: str = ""

    def error(self) -> Exception:
        """To raise where the failure stops the build."""
        raised = FieldFaultError(self.reason) if self.ours else AtlasError(self.reason)
        if self.trace:
            raised.__cause__ = _ElsewhereError(self.trace)
        return raised


@dataclass(frozen=True)
class Outcome:
    """What came of one field: the files of its pages and its state by path, or why there are none."""

    job: Job
    files: dict[str, bytes]
    failure: Failure | None = None


@dataclass(frozen=True)
class MissingField:
    """A field of the farm file that is not on this map, since it could not be surveyed."""

    field_id: str
    name: str
    farm: str
    reason: str


class _ElsewhereError(Exception):
    """Shows, under --debug, the traceback of an error that was raised in another process."""

    def __str__(self) -> str:
        return "\n" + str(self.args[0])
