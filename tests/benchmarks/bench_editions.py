"""After one mark on a farm of many fields, the next map must come quickly: measured as a share of the full build.

`python tests/benchmarks/bench_editions.py [FIELDS] [RUNS]` makes the farm on the spot, then alternates a full
build into an empty folder with a mark and the next edition, each as a whole process, and prints medians.
The bound: the larger of 3 s and a twelfth of the full build.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import geopandas as gpd

COMMAND = [sys.executable, "-m", "atlas.cli"]


def timed(*words: str | Path) -> float:
    """Wall seconds of one command. Raises CalledProcessError when it fails."""
    start = time.perf_counter()
    subprocess.run([*COMMAND, *map(str, words)], check=True, capture_output=True)
    return time.perf_counter() - start


def pages(out: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in (out / "fields").glob("*.html")}


def run(fields: int, runs: int, folder: Path) -> bool:
    """Print the table; whether the bound holds and exactly the marked field's page was written anew."""
    farm = folder / "farm.gpkg"
    timed("demo", farm, "--fields", str(fields))
    parcels = gpd.read_file(farm, layer="parcels")
    full, after_mark, exact = [], [], []
    for turn in range(runs):
        out = folder / f"build{turn}"
        full.append(timed("build", farm, "--out", out))
        before = pages(out)
        row = parcels.iloc[(turn * 37 + 5) % len(parcels)]
        inside = row.geometry.representative_point()
        timed("mark", farm, "slip", "--at", f"{inside.x:.2f},{inside.y:.2f}", "--reach", "1", "--by", "Runa Telk")
        after_mark.append(timed("build", farm, "--out", out))
        now = pages(out)
        listed = json.loads((out / "data/atlas.json").read_bytes())["fields"]
        of_field = {f["field_id"]: f["page"] for f in listed}
        exact.append({n for n in now if now[n] != before.get(n)} == {Path(of_field[row["field_id"]]).name})
        print(
            f"run {turn + 1}: full {full[-1]:.1f} s, after one mark {after_mark[-1]:.1f} s, one page: {exact[-1]}"
        )
    whole, part = statistics.median(full), statistics.median(after_mark)
    bound = max(3.0, whole / 12)
    print(
        f"{fields} fields, medians of {runs}: full {whole:.1f} s, after one mark {part:.1f} s, bound {bound:.1f} s"
    )
    return part <= bound and all(exact)


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    times = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    with tempfile.TemporaryDirectory() as place:
        sys.exit(0 if run(count, times, Path(place)) else 1)
