"""What a walk over the fields visits, as frozen records: found field by field, ordered by `atlas.driving.walk`,
kept inside the atlas so that one marked field does not cost surveying the others again."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

LIKELY_WET = "likely_wet"  # a stop's kind where no marking is


@dataclass(frozen=True)
class At:
    """A place: terrain CRS, longitude and latitude (WGS 84), metres above sea (None: not measured)."""

    x: float
    y: float
    lon: float
    lat: float
    height_m: float | None


@dataclass(frozen=True)
class Gate:
    """A way in, where a walk enters and leaves a field; `place` says where it lies by the field."""

    name: str
    place: str
    at: At


@dataclass(frozen=True)
class Stop:
    """Something to look at: an unconfirmed marking (`kind`, `severity`, `tag`, `note` are the marking's), or a
    likely wet place (`kind` is LIKELY_WET, `rank` its rank in the field). `off_m` is how far outside the field's
    outline it lies; a marking beside two fields is looked at from the one it lies in."""

    key: str  # the marking's hazard_id; a likely wet place's field and rank
    kind: str
    severity: int | None
    tag: int | None
    place: str
    note: str
    rank: int
    index: float
    off_m: float
    at: At

    @property
    def unconfirmed(self) -> bool:
        return self.kind != LIKELY_WET


@dataclass(frozen=True)
class FieldStops:
    """One field's ways in and what there is to look at in it."""

    field_id: str
    name: str
    page: str
    farm: str
    gates: tuple[Gate, ...]
    stops: tuple[Stop, ...]

    def as_json(self) -> dict[str, Any]:
        return asdict(self)

    @staticmethod
    def from_json(raw: dict[str, Any]) -> FieldStops:
        """Back from `as_json`. Raises KeyError or TypeError where keys are another version's."""
        gates = tuple(Gate(g["name"], g["place"], At(**g["at"])) for g in raw["gates"])
        stops = tuple(Stop(**{**s, "at": At(**s["at"])}) for s in raw["stops"])
        return FieldStops(**{**raw, "gates": gates, "stops": stops})


@dataclass(frozen=True)
class WalkPlace:
    """A place a walk goes through: stop `number` of the farm, or a way in by name (`stop` is None then)."""

    field: str
    at: At
    number: int
    stop: Stop | None
    gate: str


@dataclass(frozen=True)
class Visit:
    """One field on a walk: in by `enter`, past its stops in order, out by `leave` (None: no way in on file).
    `first` is the number of its first stop; numbers run on through all walks of a farm."""

    field: FieldStops
    enter: Gate | None
    leave: Gate | None
    stops: tuple[Stop, ...]
    first: int

    @property
    def numbered(self) -> tuple[tuple[int, Stop], ...]:
        return tuple(enumerate(self.stops, self.first))

    @property
    def places(self) -> tuple[WalkPlace, ...]:
        """Every place of this visit in walking order."""
        name = self.field.name
        enter, leave = ((WalkPlace(name, g.at, 0, None, g.name),) if g else () for g in (self.enter, self.leave))
        return (*enter, *(WalkPlace(name, s.at, n, s, "") for n, s in self.numbered), *leave)


@dataclass(frozen=True)
class Walk:
    """A walk from way in to way in. Length and climb are straight from place to place."""

    number: int
    visits: tuple[Visit, ...]
    length_m: float
    climb_m: float
    minutes: float

    @property
    def places(self) -> tuple[WalkPlace, ...]:
        """Every place in walking order; two that follow each other are never the same."""
        found = [p for v in self.visits for p in v.places]
        return tuple(p for i, p in enumerate(found) if i == 0 or p.at != found[i - 1].at)

    @property
    def stops(self) -> tuple[tuple[int, Stop], ...]:
        return tuple(numbered for v in self.visits for numbered in v.numbered)


@dataclass(frozen=True)
class FarmWalks:
    """All walks of one farm, those past unconfirmed markings first; `left_out` likely wet places found no room."""

    farm: str
    walks: tuple[Walk, ...]
    left_out: int
