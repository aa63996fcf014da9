"""Says what is in a farm file and everything that is wrong with it, row by row, without stopping at the first."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from exactextract import exact_extract
from exactextract.feature import JSONFeatureSource
from exactextract.raster import NumPyRasterSource
from shapely.geometry import mapping

from atlas.errors import FarmFileError
from atlas.farm import layers, lying, opening, problems, spikes, sqlite_file
from atlas.farm.layers import Layer, Parts
from atlas.farm.records import Parcel, Remark
from atlas.farm.schema import TILE_SUMS_TABLE
from atlas.farm.terrain_source import TerrainSource
from atlas.grid import Bounds
from atlas.settings import Settings

WIDEST_CELL = 60  # characters of a table's cell; one endless name would widen every line


@dataclass(frozen=True)
class FieldCover:
    """How much of a field the terrain covers, as a share from 0 to 1."""

    field_id: str
    name: str
    area_m2: float
    share: float
    odd: tuple[str, ...]  # what is to be said of heights that cannot be true
    lowest_m: float  # in and around the field; NaN where nothing is measured
    highest_m: float


@dataclass(frozen=True)
class Marked:
    """A marking that holds: the id by which it is retired, the field it is nearest to ("" where none is near)."""

    hazard_id: str
    kind: str
    field_id: str
    seen_on: str
    note: str


@dataclass(frozen=True)
class InspectReport:
    """What `inspect` found. `problems` stop a build, `notes` do not."""

    path: Path
    layers: tuple[tuple[Layer, str], ...]  # each with the part it plays
    terrain: TerrainSource | None
    fields: tuple[FieldCover, ...]
    marked: tuple[Marked, ...]
    problems: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def usable(self) -> bool:
        """Whether a build would start."""
        return not self.problems

    def lines(self) -> list[str]:
        """The report as text for a terminal."""
        return list(_lines(self))


def inspect(path: Path, settings: Settings) -> InspectReport:
    """Look at all of a farm file. Raises nothing for a bad one: what is wrong stands in the report."""
    kept = problems.Problems(keep=True)
    try:
        listed = layers.catalogue(path)
        kept.attempt(lambda: sqlite_file.check_whole(path), None)
        found = opening.read_contents(path, settings, kept)
    except FarmFileError as e:
        return InspectReport(path, (), None, (), (), (str(e),), ())
    covers = _covers(found, settings, kept)
    wrong = [*(str(e) for e in kept.found), *(_told(r) for r in found.remarks if r.refused)]
    if found.parts.parcels is not None and not found.parcels and not wrong:
        wrong.append(f"layer '{found.parts.parcels.name}': holds no usable parcel; draw at least one.")
    notes = [_told(r) for r in found.remarks if not r.refused]
    notes += [note for cover in covers for note in _cover_notes(cover)]
    if found.terrain is not None:
        notes += [_twice(a, b, m2) for a, b, m2 in lying.in_two_fields(found.parcels)]
    parts = tuple((layer, _part(layer, found.parts)) for layer in listed)
    return InspectReport(path, parts, found.terrain, covers, _marked(found), tuple(wrong), tuple(notes))


def _covers(found: opening.Contents, settings: Settings, kept: problems.Problems) -> tuple[FieldCover, ...]:
    none: tuple[FieldCover, ...] = ()
    if (terrain := found.terrain) is None:
        return none
    covers = kept.attempt(lambda: tuple(_cover(terrain, p) for p in found.parcels), none)
    if covers:
        finest = settings.terrain.zones_up_to_cell_m
        kept.attempt(lambda: terrain.check_covers((p.shape for p in found.parcels), finest), None)
    terrain.close()
    return covers


def _marked(found: opening.Contents) -> tuple[Marked, ...]:
    """Markings that nobody has retired, in file order."""
    kept = [hazard for hazard, row in found.hazards if row.moment("retired_at") is None]
    fields = lying.nearest(found.parcels, kept) if found.terrain is not None else [None] * len(kept)
    return tuple(
        Marked(h.hazard_id, h.kind, f.field_id if f else "", f"{h.seen_at:%Y-%m-%d}" if h.seen_at else "", h.note)
        for h, f in zip(kept, fields, strict=True)
    )


def _twice(a: Parcel, b: Parcel, m2: float) -> str:
    return (
        f"fields '{a.field_id}' and '{b.field_id}': {m2:.0f} m² lie in both, and each has its own sheet and "
        "release; draw the boundary between them."
    )


def _told(remark: Remark) -> str:
    row = f", row {remark.row}" if remark.row else ""
    return f"layer '{remark.layer}'{row}: {remark.text}."


def _part(layer: Layer, parts: Parts) -> str:
    for name in ("parcels", "ways_in", "storms", "releases", "dem", "backdrop"):
        if getattr(parts, name) == layer:
            return name
    if layer.name == TILE_SUMS_TABLE:
        return "checksums of dem"
    return "hazards" if layer in parts.hazards else ""


def _cover(terrain: TerrainSource, parcel: Parcel) -> FieldCover:
    """Covered share, each cell counted by the exact part of it that lies in the field."""
    bounds = Bounds(*parcel.shape.bounds)
    heights = terrain.read(bounds, spikes.MARGIN_CELLS * terrain.grid.cell_m)
    known = ~np.isnan(heights.z)
    share = 1.0 if known.all() else 0.0
    if known.any() and not known.all():
        b = heights.grid.bounds
        raster = NumPyRasterSource(known.astype(np.float64), b.west, b.south, b.east, b.north)
        feature = {"type": "Feature", "properties": {}, "geometry": mapping(parcel.shape)}
        told = exact_extract(raster, JSONFeatureSource([feature]), "mean")
        share = float(told[0]["properties"]["mean"])
    lowest, highest = (float(f(heights.z[known])) if known.any() else math.nan for f in (np.min, np.max))
    return FieldCover(
        parcel.field_id, parcel.name, parcel.shape.area, share, spikes.said(heights), lowest, highest
    )


def _cover_notes(cover: FieldCover) -> Iterator[str]:
    if cover.share < 1.0:
        missing = "none of it is measured" if cover.share == 0 else f"{_share(cover.share)} of it is measured"
        yield f"field '{cover.field_id}': {missing}; the rest counts as keep out."
    for odd in cover.odd:
        yield f"field '{cover.field_id}': {odd}."


def _share(share: float) -> str:
    """A share in percent, never rounded up to all of it."""
    return "100 %" if share >= 1.0 else f"{math.floor(share * 1000) / 10:.1f} %"


def _lines(report: InspectReport) -> Iterator[str]:
    yield str(report.path)
    if report.layers:
        yield ""
        yield "Layers"
        yield from _columns([_layer_cells(layer, part) for layer, part in report.layers])
    if (terrain := report.terrain) is not None:
        grid = terrain.grid
        name = f"EPSG:{epsg}" if (epsg := grid.crs.to_epsg()) else "a CRS of its own"
        yield ""
        yield "Terrain"
        yield f"  cell {grid.cell_x:.4g} × {grid.cell_y:.4g} m, {grid.cols} × {grid.rows} cells, {name}"
        yield f"  source: {terrain.source}, date: {terrain.date or 'not stated'}"
        if seen := [f for f in report.fields if not math.isnan(f.lowest_m)]:
            lowest, highest = min(f.lowest_m for f in seen), max(f.highest_m for f in seen)
            yield f"  heights in and around the fields: {lowest:.0f} to {highest:.0f} m (compare with a map)"
    if report.fields:
        yield ""
        yield "Fields, and how much of each is measured"
        yield from _columns(
            [(f.field_id, f.name, f"{f.area_m2 / 10_000:.2f} ha", _share(f.share)) for f in report.fields]
        )
    if report.marked:
        yield ""
        yield "Hazards by their hazard_id, the field each is nearest to, and when it was last seen"
        yield from _columns([(m.hazard_id, m.kind, m.field_id, m.seen_on, m.note) for m in report.marked])
    for title, texts in (("Notes", report.notes), ("Problems, each of which stops a build", report.problems)):
        if texts:
            yield ""
            yield title
            yield from (f"  {text}" for text in texts)
    if not report.problems:
        yield ""
        yield "Nothing stands in the way of a build."


def _layer_cells(layer: Layer, part: str) -> tuple[str, ...]:
    count = f"{layer.rows} {'tiles' if layer.kind in ('coverage', 'tiles') else 'rows'}"
    return (
        layer.name,
        layer.geometry.lower() or layer.kind,
        layer.crs,
        count,
        f"read as {part}" if part else "not read",
    )


def _columns(lines: list[tuple[str, ...]]) -> Iterator[str]:
    lines = [tuple(c if len(c) <= WIDEST_CELL else f"{c[:WIDEST_CELL]}…" for c in cells) for cells in lines]
    widths = [max(len(cells[i]) for cells in lines) for i in range(len(lines[0]))]
    for cells in lines:
        yield "  " + "  ".join(c.ljust(w) for c, w in zip(cells, widths, strict=True)).rstrip()
