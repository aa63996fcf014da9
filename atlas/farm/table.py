"""One layer's rows with our column names on them, shapes brought to the terrain's CRS and mended."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pyogrio
import pyogrio.errors
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry.base import BaseGeometry

from atlas.errors import FarmFileError, LayerError, RowError
from atlas.farm import outlines, sqlite_file, values
from atlas.farm.columns import column_names
from atlas.farm.history import Before
from atlas.farm.layers import Layer
from atlas.farm.nameless import nameless_id
from atlas.farm.records import Remark
from atlas.settings import Settings

READ_ERRORS = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    shapely.errors.ShapelyError,
    UnicodeDecodeError,
)


@dataclass
class Row:
    """One row under our names. A value that cannot be meant becomes a refusing remark, and None here."""

    layer: str
    number: str
    cells: dict[str, Any]
    shape: BaseGeometry | None
    remarks: list[Remark] = field(default_factory=list)
    as_stored: BaseGeometry | None = None  # where its numbers could be degrees, whatever the layer's CRS says
    stored: BaseGeometry | None = None  # as the layer has it today, in the layer's own CRS

    def text(self, column: str) -> str:
        """An id as it stands, so that it is found again; every other text as it may be shown."""
        told = values.text if column.endswith("_id") else values.shown
        return told(self.cells.get(column))

    def number_in(self, column: str) -> float | None:
        try:
            return values.number(self.cells.get(column))
        except RowError as e:
            self.refuse(f"{column} {e}; write a number or leave it empty")
            return None

    def yes(self, column: str) -> bool:
        try:
            return values.yes(self.cells.get(column))
        except RowError as e:
            self.refuse(f"{column} {e}; write yes or no")
            return False

    def moment(self, column: str) -> datetime | None:
        try:
            found, bare = values.moment(self.cells.get(column))
        except RowError as e:
            self.refuse(f"{column} {e}")
            return None
        if bare:
            self.say(f"{column} {self.text(column)} has no time zone and is read as UTC")
        return found

    def say(self, text: str) -> None:
        self.remarks.append(Remark(self.layer, self.number, text))

    @property
    def refused(self) -> bool:
        """Whether something of it cannot be used, so far."""
        return any(remark.refused for remark in self.remarks)

    def refuse(self, text: str) -> None:
        self.remarks.append(Remark(self.layer, self.number, text, refused=True))


@dataclass(frozen=True)
class Table:
    """A layer's rows in file order, and the columns it lacks (our names)."""

    rows: tuple[Row, ...]
    lacking: frozenset[str]

    def __iter__(self) -> Iterator[Row]:
        return iter(self.rows)


def read(
    path: Path,
    layer: Layer,
    ours: tuple[str, ...],
    settings: Settings,
    crs: CRS | None,
    also: dict[str, str] | None = None,
    before: Mapping[str, Before] | None = None,
) -> Table:
    """Read a layer. `crs` is where its shapes go (None: a table without shapes).

    `also` names columns (ours to theirs) that were found another way, for those that settings do not tell.
    `before` says how markings stood on an earlier day (see `atlas.farm.history`).

    Raises FarmFileError where the layer cannot be read, LayerError where it says not in which CRS it is.
    """
    names = {**(also or {}), **column_names(layer, ours, settings)}
    lacking = frozenset(ours) - set(names)
    frame, source = _frame(path, layer, list(names.values()), crs is not None)
    if layer.counted is not None and len(frame) != layer.rows:  # GDAL reads as many as a broken index may tell it
        raise FarmFileError(
            f"{path}, layer '{layer.name}': {len(frame)} of {layer.rows} rows can be read; fetch a whole copy."
        )
    if crs is not None and source is None and len(frame):
        raise LayerError(f"{path}, layer '{layer.name}': says not in which CRS it is; set its CRS in the file.")
    shapes = frame["geometry"] if crs is not None and "geometry" in frame else [None] * len(frame)
    columns = {o: frame[theirs].tolist() for o, theirs in names.items()}
    rows = []
    for i, (fid, shape) in enumerate(zip(frame.index, shapes, strict=True)):
        row = Row(layer.name, str(fid), {o: column[i] for o, column in columns.items()}, shape, stored=shape)
        then = _then(row, before) if before else None
        if then is not None and not then.existed:
            continue
        if then is not None:
            row.cells.update(then.cells)
            row.shape = then.shape or row.shape
        if crs is not None and source is not None:
            _settle_shape(row, source, crs)
        rows.append(row)
    return Table(tuple(rows), lacking)


def _then(row: Row, before: Mapping[str, Before]) -> Before | None:
    """How a marking stood; one without an id goes by what it is and where it lies."""
    kind = values.kind_key(row.cells.get("kind"))
    hazard_id = row.text("hazard_id") or nameless_id(row.layer, kind, row.stored)
    return before.get(hazard_id.lower())


def _frame(path: Path, layer: Layer, columns: list[str], shapes: bool) -> tuple[pd.DataFrame, CRS | None]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what matters of them is said row by row
            frame = pyogrio.read_dataframe(
                path,
                layer=layer.name,
                columns=columns,
                read_geometry=shapes,
                fid_as_index=True,
                datetime_as_string=True,
                on_invalid="ignore",
            )
    except READ_ERRORS as e:
        raise FarmFileError(sqlite_file.sentence(path, e)) from e
    try:
        crs = None if getattr(frame, "crs", None) is None else CRS(frame.crs)
    except CRSError as e:
        raise LayerError(f"{path}, layer '{layer.name}': its CRS cannot be understood; set it again.") from e
    return frame, crs


def _settle_shape(row: Row, source: CRS, target: CRS) -> None:
    """Bring a shape to `target` and mend it; what cannot be used becomes a remark and no shape."""
    if row.shape is None or row.shape.is_empty:
        row.shape = None
        return
    try:
        shape, mended = outlines.settled(row.shape, source, target)
        row.as_stored = row.shape if outlines.could_be_degrees(row.shape) else None
    except RowError as e:
        row.refuse(str(e))
        row.shape = None
        return
    if mended:
        row.say(f"its outline was mended ({mended})")
    row.shape = None if shape.is_empty else shape
