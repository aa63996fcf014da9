"""The commands, nothing else: each one reads its words, calls the same function a Python user would, and prints."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import click

from atlas import __version__
from atlas.errors import AtlasError

FARM = click.argument("farm", type=click.Path(path_type=Path))
SETTINGS = click.option(
    "--settings", "settings_path", type=click.Path(path_type=Path), help="Settings file; default: atlas.toml beside FARM."
)


class _Group(click.Group):
    """Every refusal becomes one sentence and exit code 2; a fault of ours one sentence and exit code 1."""

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except (click.exceptions.Exit, click.Abort, click.ClickException):
            raise
        except AtlasError as e:
            self._stop(ctx, str(e), 2)
        except BrokenPipeError:
            sys.exit(1)
        except Exception as e:  # anything else is a fault of ours
            kind = type(e).__name__
            self._stop(ctx, f"field-atlas failed by a fault of its own ({kind}: {e}); --debug shows where.", 1)
        return None

    def _stop(self, ctx: click.Context, sentence: str, code: int) -> None:
        if ctx.params.get("debug"):
            traceback.print_exc()
        click.echo(" ".join(sentence.split()), err=True)
        sys.exit(code)


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option("--debug", is_flag=True, help="Show where an error came from.")
@click.version_option(__version__, prog_name="field-atlas")
def main(debug: bool) -> None:  # noqa: ARG001 (read by _Group)
    """From a farm file to a driving atlas: where each machine may drive on each field, and where not.

    The atlas is a guide from a terrain model and from what was marked. The machine's handbook, local rules, the
    farm lead and licensed instruction come first.
    """


@main.command()
@FARM
@click.option("--out", type=click.Path(path_type=Path), default=Path("build"), show_default=True, help="The atlas.")
@SETTINGS
@click.option("--jobs", type=click.IntRange(1, 256), help="Processes; default: one for a farm, all cores for many fields.")
@click.option("--strict", is_flag=True, help="Publish nothing if any field fails.")
def build(farm: Path, out: Path, settings_path: Path | None, jobs: int | None, strict: bool) -> None:
    """Build the atlas of FARM, or the next edition of it.

    Example: field-atlas build farm.gpkg --out build
    """
    from atlas import engine

    with click.progressbar(length=1, label="Fields", show_pos=True, file=sys.stderr) as bar:
        report = engine.build(farm, out, settings_path=settings_path, jobs=jobs, strict=strict, progress=_steps(bar))
    for remark in report.remarks:
        click.echo(f"note: {remark}", err=True)
    for failure in report.failed:
        click.echo(f"not published: {failure}", err=True)
    click.echo(report.sentence)


@main.command()
@FARM
@SETTINGS
def inspect(farm: Path, settings_path: Path | None) -> None:
    """Say what is in FARM and what is wrong with it, row by row.

    Example: field-atlas inspect farm.gpkg
    """
    from atlas import engine
    from atlas.farm.inspecting import inspect as look

    report = look(farm, engine.settings_for(farm, settings_path))
    click.echo("\n".join(report.lines()))
    if not report.usable:
        sys.exit(2)


@main.command()
@click.argument("new", type=click.Path(path_type=Path))
@click.option("--parcels", type=click.Path(path_type=Path), required=True, help="Field boundaries, any vector format.")
@click.option("--dem", "dems", type=click.Path(path_type=Path), multiple=True, required=True, help="Heights, any raster format; may be given often.")
@click.option("--hazards", type=click.Path(path_type=Path), multiple=True, help="Marked hazards, any vector format; may be given often.")
@SETTINGS
def start(new: Path, parcels: Path, dems: tuple[Path, ...], hazards: tuple[Path, ...], settings_path: Path | None) -> None:
    """Make the farm file NEW from field boundaries and heights.

    Example: field-atlas start farm.gpkg --parcels fields.shp --dem tile_1.tif --dem tile_2.tif
    """
    from atlas import engine
    from atlas.farm.starting import start as make

    for remark in make(new, parcels, dems, hazards, settings=engine.settings_for(new, settings_path)):
        click.echo(f"note: {remark.text}", err=True)
    click.echo(f"{new} is ready; next: field-atlas inspect {new}")


@main.command()
@click.argument("new", type=click.Path(path_type=Path))
@click.option("--fields", type=click.IntRange(1, 100_000), default=16, show_default=True, help="How many fields.")
@click.option("--cell", "cell_m", type=click.FloatRange(0.25, 10), default=1.0, show_default=True, help="Terrain cell in metres.")
@click.option("--seed", type=int, default=1, show_default=True, help="Another number, another farm.")
def demo(new: Path, fields: int, cell_m: float, seed: int) -> None:
    """Make the farm file NEW of an invented hill farm; the same bytes for the same seed.

    Example: field-atlas demo demo.gpkg
    """
    from atlas.farm.demo import make_demo

    make_demo(new, fields, cell_m, seed)
    click.echo(f"{new} is ready; next: field-atlas build {new}")


def _steps(bar: object) -> Callable[[int, int], None]:
    """Feed a progress bar from (done, total)."""

    def step(done: int, total: int) -> None:
        bar.length = max(total, 1)  # type: ignore[attr-defined]
        bar.update(done - bar.pos)  # type: ignore[attr-defined]

    return step


def _now() -> datetime:
    return datetime.now(UTC)


if __name__ == "__main__":
    main()
