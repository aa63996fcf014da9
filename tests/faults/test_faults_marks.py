"""Marks files made to do harm are refused within a second and 200 MB, each in a process of its own.

The bounds are those the project sets itself: the processor's time from the call to its refusal (nothing is waited
for, so a busy machine does not blur it), and the memory of the whole process at its largest, imports and all.
"""

from __future__ import annotations

import base64
import json
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

READ = """
import json, sys, time
from datetime import datetime, UTC
from pathlib import Path
from atlas.farm.marks import MarksFileError, read_marks
begun = time.process_time()
try:
    file = read_marks(Path(sys.argv[1]), datetime(2026, 5, 4, tzinfo=UTC))
    said = [getattr(row, "why", "taken") for row in file.marks]
except MarksFileError as e:
    said = [str(e)]
spent = time.process_time() - begun
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(json.dumps([spent, int(peak.split()[1]) / 1024, said]))
"""
FRAME = '{"type": "FeatureCollection", "format": "field-atlas-marks/1", "edition": 1, "farm": "", '


def png(wide: int, high: int, data: bytes = b"") -> bytes:
    """A PNG that announces any size."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", wide, high, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def with_photo(picture: bytes, times: int = 1) -> str:
    photo = base64.b64encode(picture).decode()
    feature = {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [11, 47]},
        "properties": {"kind": "slip", "photo": photo},
    }
    return FRAME + '"features": [' + ", ".join([json.dumps(feature)] * times) + "]}"


def point(inside: str, beside: str = "") -> str:
    return (
        FRAME
        + beside
        + '"features": [{"type": "Feature", "geometry": {"type": "Point", "coordinates": '
        + inside
        + "}, "
        '"properties": {"kind": "slip"}}]}'
    )


def full_png(side: int) -> bytes:
    """A real picture of one colour: small in the file, large unpacked."""
    return png(side, side, zlib.compress(b"\x00" * (side * 3 + 1) * side, 9))


HOSTILE: dict[str, tuple[Callable[[], str], str]] = {
    "markup": (lambda: "<!DOCTYPE html><script>alert(1)</script>", "is not JSON"),
    "markup in the frame": (lambda: '{"type": "<svg onload=alert(1)>", "features": []}', "is not a marks file"),
    "enormous": (lambda: FRAME + '"features": [' + " " * 40_000_000 + "]}", "larger than 12 MB"),
    "enormous text": (lambda: FRAME + '"x": "' + "\U0001f304" + "a" * 11_900_000 + '", "features": 1}', "no list"),
    "many small values": (lambda: FRAME + '"features": [' + "{}," * 3_900_000 + "{}]}", "too many values"),
    "many features": (lambda: FRAME + '"features": [' + "{}," * 99_999 + "{}]}", "100000 features"),
    "a billion announced": (
        lambda: FRAME + '"numberMatched": 1000000000, "features": {"length": 1000000000}}',
        "has no list of features",
    ),
    "not a number": (lambda: point("[NaN, 47]"), "number that is none (NaN)"),
    "endless": (lambda: point("[1e999, 47]"), "no longitude and latitude"),
    "a number of a million digits": (lambda: point(f"[{'9' * 1_000_000}, 47]"), "number that is none"),
    "another CRS": (
        lambda: point("[500000, 5200000]", '"crs": {"type": "name", "properties": {"name": "EPSG:25832"}}, '),
        "in another CRS ('EPSG:25832')",
    ),
    "metres for degrees": (lambda: point("[500000, 5200000]"), "export it in WGS 84"),
    "nested lists": (lambda: "[" * 100_000 + "]" * 100_000, "nested too deep"),
    "nested coordinates": (lambda: point("[" * 100_000 + "]" * 100_000), "nested too deep"),
    "nested tables": (lambda: '{"a":' * 100_000 + "1" + "}" * 100_000, "nested too deep"),
    "a picture bomb": (lambda: with_photo(png(60_000, 60_000)), "more than 60000000 pixels"),
    "a picture that unpacks": (lambda: with_photo(full_png(4_500)), "4500 × 4500 pixels"),
    "many pictures that unpack": (lambda: with_photo(full_png(3_400), 100), "too large together"),
    "a long line": (lambda: point("[" + "[11, 47], " * 100_000 + "[11, 47]]"), "coordinates are broken"),
    "bytes": (lambda: "\x00" * 1_000, "is not JSON"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_marks_file_is_refused_fast_and_small(tmp_path: Path, name: str) -> None:
    make, reason = HOSTILE[name]
    path = tmp_path / "marks.geojson"
    path.write_text(make(), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", READ, str(path)], capture_output=True, text=True, check=True, timeout=60
    )
    spent, megabytes, said = json.loads(done.stdout)
    assert reason in said[-1]
    assert spent < 1.0
    assert megabytes < 200


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    from datetime import UTC, datetime

    from atlas.farm.marks import MarksFileError, read_marks

    with pytest.raises(MarksFileError, match="is not a file"):
        read_marks(tmp_path, datetime.now(UTC))
    with pytest.raises(MarksFileError, match="is not a file"):
        read_marks(Path("/dev/zero"), datetime.now(UTC))
