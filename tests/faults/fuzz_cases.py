"""One fuzz case: a broken file made from its family and seed, used as a user would, and judged.

Right output, or a refusal in one sentence. A farm file that opens must give the heights of its base, or say that
they are not measured; and as many rows as the base has, where only bytes were turned.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import signal
import time
import unicodedata
import zlib
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from random import Random

import fuzz_bytes
import fuzz_documents
import fuzz_tables
import numpy as np
from fuzz_base import NOW, SETTINGS, Base, written_settings

from atlas.cli import main
from atlas.driving.machines import rig
from atlas.errors import AtlasError
from atlas.farm import datasets
from atlas.farm.opening import open_farm
from atlas.farm.terrain_source import HIGHEST_M
from atlas.settings import load
from atlas.survey import survey_field

LONGEST_SENTENCE = 1_500
FAMILIES = (*fuzz_bytes.FAMILIES, *fuzz_tables.FAMILIES, "marks", "settings")


class Find(Exception):  # noqa: N818 (what the run is for)
    """Something that must not happen."""


def run(family: str, seed: int, bases: dict[str, Base], folder: Path) -> str:
    """Run a case; "right" or "refused: …". Raises Find, or whatever the code under test let through."""
    if family in TRAPS:
        TRAPS[family]()
        return "right"
    rng = Random(f"{family} {seed}")
    work = folder / f"{family}-{seed}"  # a name of its own: nothing read before can be taken for it
    work.mkdir()
    try:
        if family == "marks":
            return _marks(rng, bases["float"], work)
        if family == "settings":
            return _settings(rng, bases["float"], work)
        base = bases[rng.choice(list(bases))]
        farm = work / "farm.gpkg"
        write(farm, family, rng, base, folder)
        return _farm(farm, family, rng, base, work)
    finally:
        datasets.close()
        shutil.rmtree(work, ignore_errors=True)


def write(farm: Path, family: str, rng: Random, base: Base, folder: Path) -> None:
    """The broken farm file itself."""
    data = bytearray(base.data)
    if family in fuzz_bytes.FAMILIES:
        fuzz_bytes.FAMILIES[family](data, fuzz_bytes.places(base, folder), rng)
        farm.write_bytes(data)
    else:
        farm.write_bytes(data)
        fuzz_tables.change(farm, family, rng)


def _farm(farm: Path, family: str, rng: Random, base: Base, work: Path) -> str:
    way = rng.random()
    if way < 0.2:
        return by_command(["inspect", str(farm)])
    if way < 0.23:
        return _built(farm, work)
    return _refusal(lambda: _opened(farm, family, base, way < 0.31))


def _built(farm: Path, work: Path) -> str:
    settings = work / "quick.toml"
    settings.write_text(written_settings())
    words = ["build", str(farm), "--out", str(work / "out"), "--settings", str(settings), "--jobs", "1"]
    came = by_command([*words, "--as-of", NOW.isoformat()])
    outside = {p.name for p in work.iterdir()} - {farm.name, settings.name, "out", ".out.next"}
    if outside:
        raise Find(f"wrote beside its target: {sorted(outside)}")
    if came != "right" and (work / "out").exists():
        raise Find("an atlas was published by a build that was refused")
    return came


def _opened(farm: Path, family: str, base: Base, survey: bool) -> None:
    opened = open_farm(farm, SETTINGS, NOW)
    if family in fuzz_bytes.FAMILIES:
        found = (len(opened.parcels), len(opened.ways_in))
        said = sum(r.layer == "ways_in" and "left out" in r.text for r in opened.remarks)
        if (found[0], found[1] + said) != (base.parcels, base.ways_in):
            raise Find(f"rows were lost without a word: {found} of {(base.parcels, base.ways_in)}")
        if len(opened.hazards) < base.hazards and not _retired(farm):
            raise Find(f"hazards were lost without a word: {len(opened.hazards)} of {base.hazards}")
    z = opened.terrain.read(base.window).z
    told = z[~np.isnan(z)]
    if told.size and np.abs(told).max() > HIGHEST_M:
        raise Find("heights that are none on earth")
    if base.summed and family in fuzz_bytes.FAMILIES:
        check_heights(z, base)
    if survey:
        for parcel in opened.parcels[:2]:
            with contextlib.suppress(AtlasError):
                survey_field(opened, parcel, SETTINGS, rig(SETTINGS))


def check_heights(z: np.ndarray, base: Base) -> None:
    """Raise Find where a height is another than the base's: with sums there, that must have been said."""
    if z.shape != base.heights.shape:
        raise Find(f"a window of {z.shape} cells for one of {base.heights.shape}")
    known = ~np.isnan(z)
    if not np.array_equal(z[known], base.heights[known]):
        raise Find(f"heights changed without a word, by up to {np.abs(z - base.heights)[known].max():g} m")


def _retired(farm: Path) -> bool:
    """A turned bit can make of a time another one, which nobody can tell."""
    from atlas.farm.opening import read_contents
    from atlas.farm.problems import Problems

    return len(read_contents(farm, SETTINGS, Problems(keep=True)).hazards) >= 5


def _marks(rng: Random, base: Base, work: Path) -> str:
    marks, farm = work / "marks.geojson", work / "farm.gpkg"
    marks.write_bytes(fuzz_documents.marks(rng))
    farm.write_bytes(base.data)
    how = rng.choice((["--dry-run"], ["--dry-run", "--merge"], ["--skip-refused"], []))
    came = by_command(["take-in", str(farm), str(marks), *how])
    changed = zlib.crc32(farm.read_bytes()) != zlib.crc32(base.data)
    if changed and ("--dry-run" in how or came != "right"):
        raise Find("a farm file was changed that was to stay as it was")
    if changed:
        after = open_farm(farm, SETTINGS, NOW + timedelta(days=400))
        if len(after.hazards) < base.hazards and b"gone" not in marks.read_bytes():
            raise Find("a hazard was lost in taking marks in")
    return came


def _settings(rng: Random, base: Base, work: Path) -> str:
    path, farm = work / "atlas.toml", work / "farm.gpkg"
    path.write_bytes(fuzz_documents.settings(rng))
    survey = rng.random() < 0.3

    def use() -> None:
        settings = load(path)
        machines = rig(settings)
        if survey:
            farm.write_bytes(base.data)
            opened = open_farm(farm, settings, NOW)
            survey_field(opened, opened.parcels[0], settings, machines)

    return _refusal(use)


def _refusal(use: Callable[[], None]) -> str:
    try:
        use()
    except AtlasError as e:
        check_sentence(str(e))
        return f"refused: {e}"
    return "right"


def by_command(words: list[str]) -> str:
    """Run a command in this process; exit code 0 or 2, and one line where it refuses."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(words)
        except SystemExit as e:
            code = e.code if isinstance(e.code, int) else 1
    if code not in (0, 2):
        raise Find(f"exit code {code}: {err.getvalue()[-400:]}")
    lines = (*out.getvalue().split("\n"), *err.getvalue().split("\n"))
    for line in lines:
        check_line(line)
    if max(len(line) for line in lines) > LONGEST_SENTENCE:
        raise Find("a line that no one can read to its end")
    return "right" if code == 0 else f"refused: {(err.getvalue() or out.getvalue())[-200:]}"


def check_sentence(text: str) -> None:
    """A refusal is one sentence that a terminal can show."""
    said = " ".join(text.split())
    if len(said) < 20 or "Traceback" in said or not said.endswith((".", ")")):
        raise Find(f"no sentence: {said[:300]!r}")


def _eat() -> None:
    _eaten.append(b"x" * 850_000_000)


_eaten: list[bytes] = []
TRAPS: dict[str, Callable[[], object]] = {  # what the runner itself is tried on
    "trap_hang": lambda: time.sleep(600),
    "trap_die": lambda: os.kill(os.getpid(), signal.SIGSEGV),
    "trap_raise": lambda: dict[str, str]()["nothing"],
    "trap_ask": lambda: bytearray(2_000_000_000),
    "trap_eat": _eat,
}


def check_line(line: str) -> None:
    """No line of ours commands the terminal."""
    bad = sorted({c for c in line if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")})
    if bad:
        raise Find(f"unprintable {bad} in {line[:200]!r}")
