"""Which column of somebody's field boundaries holds the ids and which the names, when nobody says."""

from __future__ import annotations

from pathlib import Path

import pyogrio
import pyogrio.errors

from atlas.errors import FarmFileError
from atlas.farm import values
from atlas.farm.layers import Layer
from atlas.farm.records import Remark
from atlas.settings import Settings

# Common spellings in several languages; from experience with exports, no source.
IDS = (
    "field_id", "fieldid", "parcel_id", "parcelid", "plot_id", "id", "field_no", "field_nr", "number", "no", "nr",
    "code", "ref", "reference", "schlag_id", "schlagnr", "schlag_nr", "parzelle", "parzellennr", "gid", "uuid",
)  # fmt: skip
NAMES = (
    "name", "field_name", "fieldname", "field", "title", "label", "parcel", "plot",
    "bezeichnung", "schlag", "schlagname", "flurname", "flurstueck", "nom", "nome",
)  # fmt: skip
SHAPEFILE_NAME = 10  # a Shapefile cuts its column names
NOTES = ("note", "notes", "description", "comment", "remarks", "bemerkung")
USES = ("use", "landuse", "land_use", "crop", "nutzung", "kultur")


def parcel_columns(path: Path, layer: Layer, settings: Settings) -> tuple[dict[str, str], list[Remark]]:
    """Our column to theirs where settings and our own names tell nothing, and what to say about it.

    An id column is taken only where every row has its own. Raises FarmFileError where the layer cannot be read.
    """
    told = {ours for ours in settings.columns if layer.column(settings.columns[ours])}
    found: dict[str, str] = {}
    for ours, spellings in (("field_id", IDS), ("name", NAMES), ("note", NOTES), ("use", USES)):
        if ours in told or layer.column(ours):
            continue
        theirs = [c for s in spellings if (c := layer.column(s) or layer.column(s[:SHAPEFILE_NAME]))]
        good = [c for c in theirs if ours != "field_id" or _one_each(path, layer, c)]
        if good:
            found[ours] = good[0]
    said = [
        Remark(layer.name, "", f"column '{theirs}' taken as {ours}")
        for ours, theirs in found.items()
        if theirs.lower() != ours
    ]
    return found, said


def _one_each(path: Path, layer: Layer, column: str) -> bool:
    try:
        frame = pyogrio.read_dataframe(path, layer=layer.name, columns=[column], read_geometry=False)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as e:
        raise FarmFileError(f"{path}, layer '{layer.name}': cannot be read; fetch a whole copy.") from e
    told = [values.text(v) for v in frame[column].tolist()]
    return all(told) and len(set(told)) == len(told)
