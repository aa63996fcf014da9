"""The commands, nothing else: each reads its words, calls what a Python user would call, and prints."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from atlas import __version__
from atlas.cli_words import MOMENT, PAST, Commands, marking, noted, steps, tell_failures, traced, typed
from atlas.errors import RowError
from atlas.farm.records import GROUNDS
from atlas.settings import settings_for
from atlas.terminal import say

FARM = click.argument("farm", type=click.Path(path_type=Path))
SETTINGS = click.option(
    "--settings",
    "settings_path",
    type=click.Path(path_type=Path),
    help="Settings file; default: atlas.toml beside FARM.",
)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option("--debug", is_flag=True, help="Show where an error came from.")
@click.version_option(__version__, prog_name="field-atlas")
def main(debug: bool) -> None:
    """From a farm file to a driving atlas: where each machine may drive on each field, and where not.

    The atlas is a guide from a terrain model and from what was marked. The machine's handbook, local rules, the
    farm lead and licensed instruction come first.
    """


@main.command()
@FARM
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("build"), show_default=True, help="The atlas."
)
@SETTINGS
@click.option(
    "--jobs", type=click.IntRange(1, 256), help="Processes; default: one for a farm, all cores for many fields."
)
@click.option("--cluster", metavar="ADDRESS", help="A Dask cluster's scheduler, tcp://host:port; see README.")
@click.option("--strict", is_flag=True, help="Publish nothing if any field fails.")
@click.option("--as-of", type=MOMENT, help="What the file said then; a bare date means the end of that day.")
def build(
    farm: Path, out: Path, settings_path: Path | None, jobs: int | None, cluster: str | None, strict: bool,
    as_of: datetime | None,
) -> None:  # fmt: skip
    """Build the atlas of FARM, or the next edition of it.

    Example: field-atlas build farm.gpkg --out build
    """
    from atlas.processes import seldom_collect

    seldom_collect()
    from atlas import engine
    from atlas.running.prepared import FIRST, prepared

    quiet = not sys.stderr.isatty()
    if not quiet and not prepared():
        say(FIRST, err=True)
    with click.progressbar(length=1, label="Fields", show_pos=True, file=sys.stderr, hidden=quiet) as bar:
        report = engine.build(
            farm, out, settings_path=settings_path, jobs=jobs, cluster=cluster, as_of=as_of, strict=strict,
            progress=steps(bar),
        )  # fmt: skip
    traced(report.without_memory)
    for remark in report.remarks:
        noted(remark)
    tell_failures(report.failed, report.traces)
    say(report.sentence, report.heights)
    if report.at_fault:
        sys.exit(1)


@main.command()
@FARM
@SETTINGS
def inspect(farm: Path, settings_path: Path | None) -> None:
    """Say what is in FARM and what is wrong with it, row by row.

    Example: field-atlas inspect farm.gpkg
    """
    from atlas.driving.machines import rig
    from atlas.farm.inspecting import inspect as look

    settings = settings_for(farm, settings_path)
    rig(settings)  # refuses what a build would refuse
    report = look(farm, settings)
    say(*report.lines())
    if not report.usable:
        sys.exit(2)


@main.command()
@click.argument("new", type=click.Path(path_type=Path))
@click.option(
    "--parcels", type=click.Path(path_type=Path), required=True, help="Field boundaries, any vector format."
)
@click.option(
    "--dem",
    "dems",
    type=click.Path(path_type=Path),
    multiple=True,
    required=True,
    help="Heights, any raster format; may be given often.",
)
@click.option(
    "--hazards",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Marked hazards, any vector format; may be given often.",
)
@SETTINGS
def start(
    new: Path, parcels: Path, dems: tuple[Path, ...], hazards: tuple[Path, ...], settings_path: Path | None
) -> None:
    """Make the farm file NEW from field boundaries and heights.

    Example: field-atlas start farm.gpkg --parcels fields.shp --dem tile_1.tif --dem tile_2.tif
    """
    from atlas.farm.starting import start as make

    for remark in make(new, parcels, dems, hazards, settings=settings_for(new, settings_path)):
        noted(f"layer '{remark.layer}' row {remark.row}: {remark.text}" if remark.row else remark.text)
    say(f"{new} is ready; next: field-atlas inspect {typed(new)}")


@main.command()
@click.argument("new", type=click.Path(path_type=Path))
@click.option("--fields", type=click.IntRange(1, 100_000), default=16, show_default=True, help="How many fields.")
@click.option(
    "--cell",
    "cell_m",
    type=click.FloatRange(0.25, 10),
    default=1.0,
    show_default=True,
    help="Terrain cell in metres.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Another number, another farm.")
def demo(new: Path, fields: int, cell_m: float, seed: int) -> None:
    """Make the farm file NEW of an invented hill farm. The same seed gives the same bytes.

    Example: field-atlas demo demo.gpkg
    """
    from atlas.farm.demo import make_demo

    make_demo(new, fields, cell_m, seed)
    say(f"{new} is ready; next: field-atlas build {typed(new)}")


@main.command(context_settings={"ignore_unknown_options": True})
@FARM
@click.argument("kind")
@click.argument("points", metavar="X,Y…", nargs=-1)
@click.option("--at", "shape", flag_value="at", help="A point: --at X,Y")
@click.option("--line", "shape", flag_value="line", help="A line: --line X,Y X,Y …")
@click.option("--area", "shape", flag_value="area", help="An area: --area X,Y X,Y X,Y …")
@click.option(
    "--lonlat", is_flag=True, help="Places are longitude,latitude (WGS 84), else the farm file's own metres."
)
@click.option(
    "--severity", type=click.IntRange(1, 3), help="Wet spots: 1 boot prints stay, 2 boot sinks, 3 over the ankle."
)
@click.option("--reach", "reach_m", type=float, help="Metres that the nearest part of a machine keeps away.")
@click.option("--accuracy", "accuracy_m", type=float, help="Metres by which the place may be wrong.")
@click.option("--depth", "depth_m", type=float, help="How deep a bank is, metres.")
@click.option("--note", default="", help="What a worker should know about it.")
@click.option("--by", default="", help="Who saw it.")
@click.option("--seen-at", type=PAST, help="When it was seen; default: now.")
@SETTINGS
def mark(
    farm: Path, kind: str, points: tuple[str, ...], shape: str | None, lonlat: bool, severity: int | None,
    reach_m: float | None, accuracy_m: float | None, depth_m: float | None, note: str, by: str,
    seen_at: datetime | None, settings_path: Path | None,
) -> None:  # fmt: skip
    """Mark a hazard in FARM; prints its hazard_id.

    KIND is one of wet_spot, unstable_bank, forest_edge, obstacle, overhead_line, no_go, slip.

    Example: field-atlas mark farm.gpkg wet_spot --at 612345.6,5201234.5 --severity 2 --by Runa
    """
    from atlas.farm import change

    hazard_id = change.mark(
        farm, kind, marking(shape, points), lonlat=lonlat, severity=severity, reach_m=reach_m,
        accuracy_m=accuracy_m, depth_m=depth_m, note=note, by=by, seen_at=seen_at,
        settings=settings_for(farm, settings_path), tell=noted,
    )  # fmt: skip
    say(hazard_id)


@main.command()
@FARM
@click.argument("hazard_id")
@click.option("--by", default="", help="Who saw that it is gone.")
@SETTINGS
def retire(farm: Path, hazard_id: str, by: str, settings_path: Path | None) -> None:
    """Say that a hazard is gone; it stays in the file's history.

    Example: field-atlas retire farm.gpkg 7c1d0c6e-3f0b-4a51-9f1e-0a4f6b2d9e11 --by Runa
    """
    from atlas.farm import change

    change.retire(farm, hazard_id, by=by, settings=settings_for(farm, settings_path))
    say(f"{hazard_id} is gone from the next map on; next: field-atlas build {typed(farm)}")


@main.command()
@FARM
@click.option("--passed-at", type=PAST, required=True, help="When the storm had passed.")
@click.option("--note", default="", help="What it did.")
@SETTINGS
def storm(farm: Path, passed_at: datetime, note: str, settings_path: Path | None) -> None:
    """Write down a storm that has passed: every release ends. Wet spots and banks must be looked at again.

    Example: field-atlas storm farm.gpkg --passed-at 2026-06-12T03:00
    """
    from atlas.farm import change

    change.storm(farm, passed_at, note=note, settings=settings_for(farm, settings_path), tell=noted)
    over = f"{passed_at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
    say(f"Releases given before {over} are over; next: field-atlas build {typed(farm)}")


@main.command()
@FARM
@click.argument("more", metavar="[ID…]", nargs=-1)
@click.option("--field", "fields", multiple=True, metavar="ID", help="A field to release; may be given often.")
@click.option("--all", "every", is_flag=True, help="Every field.")
@click.option("--ground", type=click.Choice(GROUNDS), required=True, help="The ground it is released on.")
@click.option("--until", type=MOMENT, required=True, help="When the release ends.")
@click.option("--by", required=True, help="Who gives the word.")
@SETTINGS
def release(
    farm: Path, more: tuple[str, ...], fields: tuple[str, ...], every: bool, ground: str, until: datetime, by: str,
    settings_path: Path | None,
) -> None:  # fmt: skip
    """Release fields of FARM for driving, on a ground, until a time.

    Example: field-atlas release farm.gpkg --field F01 F02 --ground damp --until 2026-06-12T20:00 --by Runa
    """
    from atlas.farm import change

    asked = (*fields, *more)
    if every == bool(asked):
        raise RowError("Say which fields: --field ID …, or --all.")
    released = change.release(
        farm, "all" if every else asked, ground, until, by, settings=settings_for(farm, settings_path), tell=noted
    )
    say(f"Released: {', '.join(released)}; next: field-atlas build {typed(farm)}")


@main.command("take-in")
@FARM
@click.argument("marks", type=click.Path(path_type=Path), nargs=-1, required=True)
@click.option("--dry-run", is_flag=True, help="Show what would be taken in, write nothing.")
@click.option("--merge", is_flag=True, help="Take marks of the same spot as one.")
@click.option("--skip-refused", is_flag=True, help="Take in the rest although some are refused.")
@SETTINGS
def take_in(
    farm: Path, marks: tuple[Path, ...], dry_run: bool, merge: bool, skip_refused: bool, settings_path: Path | None
) -> None:
    """Take marks files from tablets into FARM, shown as a table.

    Example: field-atlas take-in farm.gpkg marks.geojson --dry-run
    """
    from atlas.farm.takein import take_in as merge_marks

    report = merge_marks(
        farm, marks, dry_run=dry_run, merge=merge, skip_refused=skip_refused,
        settings=settings_for(farm, settings_path),
    )  # fmt: skip
    say(*report.lines())
    for note in report.notes:
        noted(note)
    say(report.sentence)
    if report.refused and not report.written:
        sys.exit(2)


@main.command()
@click.argument("build", type=click.Path(path_type=Path))
@click.option("--to", type=click.Path(path_type=Path), required=True, help="The folder that gets the files.")
@click.option("--field", "fields", multiple=True, metavar="ID", help="A field to hand on; may be given often.")
@click.option("--changed-since", type=click.IntRange(0), metavar="N", help="Only sheets changed since map N.")
def share(build: Path, to: Path, fields: tuple[str, ...], changed_since: int | None) -> None:
    """Write sheets of the atlas in BUILD as single files for tablets. The whole atlas comes with them as one zip.

    Example: field-atlas share build --to /media/stick --changed-since 13
    """
    from atlas.editions.sharing import share as hand_on

    quiet = not sys.stderr.isatty()
    with click.progressbar(length=1, label="Sheets", show_pos=True, file=sys.stderr, hidden=quiet) as bar:
        report = hand_on(build, to, fields, changed_since, progress=steps(bar))
    say(*(str(to / name) for name in report.sheets))
    for note in report.notes:
        noted(note)
    say(report.sentence)


if __name__ == "__main__":
    main()
