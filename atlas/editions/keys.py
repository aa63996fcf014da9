"""Keys: digests of everything that a field's page, or all pages, depend on.

The same key means: no terrain work, the same page.
"""

from __future__ import annotations

import hashlib
import importlib.resources
from collections.abc import Iterable
from dataclasses import fields, replace
from datetime import datetime
from functools import cache
from pathlib import Path

from shapely import to_wkb
from shapely.geometry.base import BaseGeometry

from atlas.editions.publishing import FORMAT
from atlas.editions.state import stamp
from atlas.farm.backdrop import backdrop_mark
from atlas.farm.farm import Farm
from atlas.farm.heights_said import sigma_assumed
from atlas.farm.records import Hazard, Parcel, Release, Remark, WayIn
from atlas.grid import Bounds
from atlas.settings import Settings
from atlas.survey import WAY_IN_WITHIN_M, hazards_that_matter, read_margin_m, view_windows

Record = Parcel | Hazard | WayIn | Release | Remark


@cache
def code_digest() -> str:
    """A digest of our own code and templates: another version of either computes and writes everything anew."""
    digest = hashlib.sha256()
    package = importlib.resources.files("atlas")
    roots = [package, package / "_templates"]
    beside = Path(str(package)).parent / "templates"
    if not (package / "_templates").is_dir() and beside.is_dir():
        roots[1] = beside
    for root in roots:
        for path in sorted(Path(str(root)).rglob("*")):
            if path.suffix in {".py", ".html", ".css", ".js", ".typ", ".ttf", ".svg", ".po"} and path.is_file():
                digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def shared_key(farm: Farm, settings: Settings) -> str:
    """What every page depends on: settings, our code, what the farm file says of the farm as a whole."""
    terrain = farm.terrain
    g = terrain.grid
    parts = [
        FORMAT,
        code_digest(),
        settings.model_dump_json(),
        farm.name,
        f"{g.crs.to_wkt()} {g.west!r} {g.north!r} {g.cell_x!r} {g.cell_y!r} {g.rows} {g.cols}",
        terrain.source,
        terrain.date,
        repr(sigma_assumed(settings)),
        repr([stamp(s.passed_at) for s in farm.storms]),
        backdrop_mark(farm),
    ]
    return _digest(parts)


def field_key(shared: str, farm: Farm, parcel: Parcel, settings: Settings) -> str:
    """Everything one field's page depends on, as a digest; reads no heights, only their fingerprint."""
    box = Bounds(*parcel.shape.bounds)
    near = box.grown(WAY_IN_WITHIN_M)
    parts = [shared, repr(_fields_of(parcel)), farm.terrain.fingerprint(box, read_margin_m(settings))]
    parts += [repr(_fields_of(h)) for h in hazards_that_matter(farm, box, settings)]
    ways_in = farm.ways_in_near(near)
    parts += [repr(_fields_of(w)) for w in ways_in]
    if ways_in:
        parts += [farm.terrain.coarse_fingerprint(window, cell_m) for window, cell_m in view_windows(box)]
    parts += [
        repr((p.name, p.slug, _plain(p.shape))) for p in farm.parcels_near(near) if p.field_id != parcel.field_id
    ]
    parts += [repr(_fields_of(r)) for r in farm.releases_of(parcel)]
    parts += [repr(_fields_of(m)) for m in farm.remarks_of(parcel)]
    group = farm.group_of(parcel)
    parts += [f"among {group.slug}"] if group else []  # where the sheet's links lead
    return _digest(parts)


def whole_key(shared: str, farm: Farm) -> str:
    """What the atlas as a whole depends on beside its fields: hazards and ways in far from every field stand in
    the files for receivers and on the overview. Photos stand on sheets only."""
    hazards = (repr(_fields_of(replace(h, photo=None))) for h in farm.hazards)
    return _digest([shared, *hazards, *(repr(_fields_of(w)) for w in farm.ways_in)])


def fingerprint(whole: str, keys: Iterable[tuple[str, str]]) -> str:
    """Of a whole atlas: the same farm file and settings give the same one, whenever it is built; `whole` is its
    `whole_key`."""
    return _digest([whole, *(f"{slug} {key}" for slug, key in sorted(keys))])[:16]


def _fields_of(record: Record) -> list[tuple[str, object]]:
    return [(name, _plain(getattr(record, name))) for name in sorted(f.name for f in fields(record))]


def _plain(value: object) -> object:
    if isinstance(value, BaseGeometry):
        return to_wkb(value, hex=True)
    if isinstance(value, bytes):
        return hashlib.sha256(value).hexdigest()
    if isinstance(value, datetime):
        return stamp(value)
    return value


def _digest(parts: Iterable[str]) -> str:
    digest = hashlib.sha256()
    for part in parts:
        digest.update(part.encode() + b"\0")
    return digest.hexdigest()
