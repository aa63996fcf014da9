"""What the next build needs to know, kept inside the atlas: each field's key (`keys.py`) and what came of it."""

from __future__ import annotations

import json
import re
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from atlas.editions.disk import UNREADABLE, opened_inside, read_inside
from atlas.editions.publishing import FORMAT, is_atlas

STATE_FILE = "data/state/edition.json"
PAGE = re.compile(r"fields/[a-z0-9-]+\.html")
_FILE = re.compile(r"(print/)?fields/[a-z0-9-]+(\.[A-Za-z0-9-]+)?\.(html|js|pdf)")  # of one field, in any language
MOST_MAPS = 1_000_000_000
HEAD_BYTES = 1000  # of the data file; its edition stands within them
PRODUCTS = ("figures", "entry", "walk", "polygons")  # of a field's state, what its first line leaves out

FIGURES: dict[type | tuple[type, ...], tuple[str, ...]] = {
    str: ("field_id", "name", "farm", "page"),
    (int, float): ("area_m2",),
    dict: ("elevation", "slope", "hand_work", "drops"),
    list: ("hazards", "driving"),
}


@dataclass(frozen=True)
class Edition:
    """One numbered issue of the atlas."""

    number: int
    issued_at: datetime
    fingerprint: str

    def as_json(self) -> dict[str, Any]:
        return {"number": self.number, "issued_at": stamp(self.issued_at), "fingerprint": self.fingerprint}


@dataclass(frozen=True)
class FieldState:
    """What is remembered of one field: its key, the map number its page last changed in, and its products."""

    key: str
    number: int
    figures: dict[str, Any]
    entry: dict[str, Any]
    walk: dict[str, Any]
    polygons: list[dict[str, Any]]
    files: list[str]

    def pack(self) -> bytes:
        """A line of JSON that tells whether the field is as it was, then compressed: JSON of all else, and the
        polygons' geometry one after the other.

        The same content gives the same bytes.
        """
        shapes = [row["geometry"] for row in self.polygons]
        rest = {name: getattr(self, name) for name in PRODUCTS}
        rest["polygons"] = [{**row, "geometry": len(row["geometry"])} for row in self.polygons]
        text = json.dumps(rest, sort_keys=True, ensure_ascii=True).encode()
        # one step more would take half as long again and save a fiftieth
        packed = zlib.compress(b"\n".join([text, b"".join(shapes)]), 5)
        head = {"key": self.key, "number": self.number, "files": self.files, "crc": zlib.crc32(packed)}
        return json.dumps(head, sort_keys=True, ensure_ascii=True).encode() + b"\n" + packed


@dataclass(frozen=True)
class FieldHead:
    """The first line of a packed state: the field's key, the map number of its page, and its files."""

    key: str
    number: int
    files: list[str]


def unpack(content: bytes) -> FieldState | None:
    """Read a packed state; None if it is damaged or of another version, which only costs computing it anew."""
    head = unpack_head(content)
    if head is None:
        return None
    try:
        unpacker = zlib.decompressobj()
        text, _, shapes = unpacker.decompress(content.partition(b"\n")[2], 256_000_000).partition(b"\n")
        raw = json.loads(text)
        if not PAGE.fullmatch(raw["figures"]["page"]) or not _are_figures(raw["figures"]):
            return None
        at = 0
        for row in raw["polygons"]:
            row["geometry"], at = shapes[at : at + row["geometry"]], at + row["geometry"]
        return FieldState(head.key, head.number, files=head.files, **raw)
    except (zlib.error, *UNREADABLE):
        return None


def _are_figures(figures: dict[str, Any]) -> bool:
    """Whether these are a field's figures as `data/atlas.json` promises them, as far as names and kinds go."""
    return all(isinstance(figures[name], kind) for kind, names in FIGURES.items() for name in names)


def unpack_head(content: bytes) -> FieldHead | None:
    """The head of a packed state, or None where that or what follows it is damaged or of another version."""
    line, _, packed = content.partition(b"\n")
    try:
        told = json.loads(line)
        head = FieldHead(str(told["key"]), int(told["number"]), [str(f) for f in told["files"]])
        ours = all(_FILE.fullmatch(file) for file in head.files)
        return head if ours and told["crc"] == zlib.crc32(packed) else None
    except UNREADABLE:
        return None


def field_page(slug: str) -> str:
    return f"fields/{slug}.html"


def state_path(slug: str) -> str:
    return f"data/state/{slug}.z"


def previous_edition(out: Path | None) -> Edition | None:
    """The edition an atlas folder holds, or None if there is none or its number cannot be read.

    Where its state is lost, its data file still tells number and date: maps are numbered on, or old paper would
    look newer than the map. Its fingerprint is then empty, like no other.
    """
    if out is None or not is_atlas(out):
        return None
    return _edition_of_state(out) or _edition_of_data(out)


def _edition_of_state(out: Path) -> Edition | None:
    try:
        raw = json.loads(read_inside(out, STATE_FILE))
        return _edition(raw["edition"], str(raw["edition"]["fingerprint"])) if raw["format"] == FORMAT else None
    except UNREADABLE:
        return None


def _edition_of_data(out: Path) -> Edition | None:
    try:
        with opened_inside(out, "data/atlas.json") as f:
            _, _, told = f.read(HEAD_BYTES).decode("ascii", "replace").partition(', "edition": ')
        return _edition(json.JSONDecoder().raw_decode(told)[0], "")
    except UNREADABLE:
        return None


def _edition(told: dict[str, Any], fingerprint: str) -> Edition | None:
    issued = datetime.fromisoformat(told["issued_at"]).astimezone(UTC)
    number = int(told["number"])
    return Edition(number, issued, fingerprint) if 0 < number < MOST_MAPS else None


def previous_slugs(out: Path | None) -> list[str]:
    """The fields an atlas folder holds, by slug; none if it cannot be read."""
    if out is None or not is_atlas(out):
        return []
    try:
        return [str(slug) for slug in json.loads(read_inside(out, STATE_FILE))["fields"]]
    except UNREADABLE:
        return []


def previous_ids(out: Path | None) -> list[str]:
    """The ids of the fields in `previous_slugs`, in their order; none if the atlas does not say them."""
    if out is None or not is_atlas(out):
        return []
    try:
        return [str(field_id) for field_id in json.loads(read_inside(out, STATE_FILE))["ids"]]
    except UNREADABLE:
        return []


def previous_places(out: Path | None) -> list[tuple[float, float]]:
    """A place inside each field of an atlas folder, longitude and latitude; none if the atlas does not say."""
    if out is None or not is_atlas(out):
        return []
    try:
        told = json.loads(read_inside(out, STATE_FILE))["places"]
        places = [(float(lon), float(lat)) for lon, lat in told]
    except UNREADABLE:
        return []
    return places if all(abs(number) <= 360 for place in places for number in place) else []


def previous_storms(out: Path | None) -> frozenset[str] | None:
    """The ids of the storms the map before knew of, or None if it does not say."""
    if out is None or not is_atlas(out):
        return None
    try:
        return frozenset(str(storm_id) for storm_id in json.loads(read_inside(out, STATE_FILE))["storms"])
    except UNREADABLE:
        return None


def previous_field(out: Path | None, slug: str) -> FieldState | None:
    """What the atlas before remembers of a field, or None."""
    if out is None:
        return None
    try:
        return unpack(read_inside(out, state_path(slug)))
    except OSError:
        return None


def previous_head(out: Path | None, slug: str) -> FieldHead | None:
    """The head of what the atlas before remembers of a field, or None."""
    if out is None:
        return None
    try:
        head = unpack_head(read_inside(out, state_path(slug)))
    except OSError:
        return None
    return head if head and field_page(slug) in head.files else None


def stamp(moment: datetime) -> str:
    """A moment as text, UTC, to the second."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
