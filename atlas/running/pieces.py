"""What one field's survey takes of an opened farm, sent with the field: a process that surveys then holds no farm,
however many fields that has, and loads nothing that reads one."""

from __future__ import annotations

from dataclasses import dataclass, replace

from shapely.strtree import STRtree

from atlas.farm.farm import Farm
from atlas.farm.records import Hazard, Parcel, Release, Remark, WayIn
from atlas.grid import Bounds
from atlas.pages.context import Home, home_of
from atlas.running.records import Job
from atlas.settings import Settings
from atlas.survey import WAY_IN_WITHIN_M, hazards_that_matter


@dataclass(frozen=True)
class Piece:
    """A field and the rows around it, in the farm file's order; `at` is its own place among `parcels`."""

    job: Job
    home: Home
    at: int
    parcels: tuple[Parcel, ...]
    hazards: tuple[Hazard, ...]
    ways_in: tuple[WayIn, ...]
    releases: tuple[Release, ...]
    remarks: tuple[Remark, ...]

    @property
    def parcel(self) -> Parcel:
        return self.parcels[self.at]

    def within(self, rest: Farm) -> Farm:
        """The farm as if it had these rows only, from what `without_rows` left of it."""
        return _with_rows(rest, self.parcels, self.hazards, self.ways_in, self.releases, self.remarks)


def piece_of(farm: Farm, job: Job, settings: Settings) -> Piece:
    """Whatever `atlas.survey.survey_field` looks for in the farm's rows, for one field."""
    parcel = farm.parcels[job.place]
    box = Bounds(*parcel.shape.bounds)
    near = box.grown(WAY_IN_WITHIN_M)
    parcels = farm.parcels_near(near)
    return Piece(
        job,
        home_of(farm, parcel),
        parcels.index(parcel),
        parcels,
        hazards_that_matter(farm, box, settings),
        farm.ways_in_near(near),
        farm.releases_of(parcel),
        farm.remarks_of(parcel),
    )


def without_rows(farm: Farm) -> Farm:
    """What is the same for every field."""
    return _with_rows(farm, (), (), (), (), ())


def _with_rows(
    farm: Farm,
    parcels: tuple[Parcel, ...],
    hazards: tuple[Hazard, ...],
    ways_in: tuple[WayIn, ...],
    releases: tuple[Release, ...],
    remarks: tuple[Remark, ...],
) -> Farm:
    return replace(
        farm,
        parcels=parcels,
        hazards=hazards,
        ways_in=ways_in,
        releases=releases,
        remarks=remarks,
        parcel_index=STRtree([p.shape for p in parcels]),
        hazard_index=STRtree([h.shape for h in hazards]),
        way_in_index=STRtree([w.shape for w in ways_in]),
    )
