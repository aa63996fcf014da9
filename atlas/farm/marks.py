"""Reads a marks file from a tablet (GeoJSON), trusting none of it: sizes first, then the frame, then row by row.

The bounds keep a file made to do harm within a second and 200 MB: the file's size, the signs that make lists and
objects (each costs far more in memory than in the file), and what a JSON reader itself refuses.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, NoReturn

from atlas.errors import AtlasError, RowError
from atlas.farm import pictures
from atlas.farm.marks_row import Mark, read_row

FORMAT = "field-atlas-marks/1"
MOST_BYTES = 12_000_000
MOST_SIGNS = 400_000
MOST_FEATURES = 2_000
_LON_LAT = ("crs84", "epsg:4326", "epsg::4326", "ogc:1.3:crs84", "ogc::crs84")


class MarksFileError(AtlasError):
    """A marks file as a whole cannot be used."""


@dataclass(frozen=True)
class Refused:
    """A feature that cannot be used, and why."""

    number: int
    why: str


@dataclass(frozen=True)
class MarksFile:
    """What a tablet brought; features count from 1."""

    path: Path
    farm: str
    edition: str
    marks: tuple[Mark | Refused, ...]


def read_marks(path: Path, now: datetime) -> MarksFile:
    """Read a marks file. Raises MarksFileError for the file as a whole; a bad feature becomes a `Refused`."""
    content = _parsed(path)
    if not isinstance(content, dict) or content.get("type") != "FeatureCollection":
        raise MarksFileError(f"{path}: is not a marks file (no FeatureCollection); export the marks again.")
    if content.get("format") != FORMAT:
        raise MarksFileError(
            f"{path}: its format is {_short(content.get('format'))}, not '{FORMAT}'; export it again."
        )
    _check_crs(path, content.get("crs"))
    features = content.get("features")
    if not isinstance(features, list):
        raise MarksFileError(f"{path}: has no list of features; export the marks again.")
    if len(features) > MOST_FEATURES:
        raise MarksFileError(f"{path}: has {len(features)} features; at most {MOST_FEATURES} are read, split it.")
    budget = pictures.Budget()
    rows: list[Mark | Refused] = []
    for number, feature in enumerate(features, 1):
        try:
            rows.append(read_row(number, feature, now, budget))
        except RowError as e:
            rows.append(Refused(number, str(e)))
        features[number - 1] = None  # its picture's text is not needed any more
    return MarksFile(path, _word(content.get("farm")), _word(content.get("edition")), tuple(rows))


def _parsed(path: Path) -> Any:
    text = _text(path)
    try:
        return json.loads(text, parse_constant=_no_number)
    except RecursionError as e:
        raise MarksFileError(f"{path}: is nested too deep to be a marks file; export the marks again.") from e
    except json.JSONDecodeError as e:
        raise MarksFileError(f"{path}: is not JSON ({e.msg} in line {e.lineno}); export the marks again.") from e
    except ValueError as e:
        raise MarksFileError(f"{path}: has a number that is none ({str(e)[:60]}); export the marks again.") from e


def _text(path: Path) -> str:
    try:
        if not path.is_file():
            raise MarksFileError(f"{path}: is not a file; name a marks file (.geojson).")
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as e:
        raise MarksFileError(f"{path}: cannot be read ({e.strerror or e}).") from e
    if len(data) > MOST_BYTES:
        raise MarksFileError(f"{path}: is larger than {MOST_BYTES // 1_000_000} MB; split it into several files.")
    if sum(data.count(sign) for sign in (b"[", b"{", b",", b":")) > MOST_SIGNS:
        raise MarksFileError(f"{path}: holds too many values for a marks file; split it into several files.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        raise MarksFileError(f"{path}: is not UTF-8 text; export the marks again.") from e


def _check_crs(path: Path, crs: object) -> None:
    """RFC 7946 knows no other CRS; an older writer may still name the one it means."""
    if crs is None:
        return
    name = crs.get("properties") if isinstance(crs, dict) else None
    name = name.get("name") if isinstance(name, dict) else None
    if not isinstance(name, str) or not name.lower().endswith(_LON_LAT):
        raise MarksFileError(f"{path}: is in another CRS ({_short(name)}); export it in longitude and latitude.")


def _no_number(word: str) -> NoReturn:
    raise ValueError(word)


def _short(value: object) -> str:
    return repr(value[:40]) if isinstance(value, str) else "missing" if value is None else type(value).__name__


def _word(value: object) -> str:
    return str(value)[:200] if isinstance(value, str | int) else ""
