"""What the commands share: reading times and places, and turning a refusal into a sentence and an exit code."""

from __future__ import annotations

import shlex
import sys
import traceback
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

import click
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from atlas.errors import AtlasError, FieldFaultError, RowError
from atlas.terminal import say


class Moment(click.ParamType):  # type: ignore[type-arg]  # generic from click 8.4 on only
    """A date or a time in ISO 8601; without a zone it is the local clock's, a bare date is the end of that day, or
    now where that day is today and only `past` moments can be meant."""

    name = "time"

    def __init__(self, past: bool = False) -> None:
        self._past = past

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        text = str(value).strip()
        try:
            found = datetime.fromisoformat(text)
        except ValueError:
            self.fail(f"'{text}' is no time; write it as 2026-06-12T06:30 or 2026-06-12.", param, ctx)
        if len(text) <= 10:
            found = found.replace(hour=23, minute=59, second=59)
            now = datetime.now().replace(microsecond=0)
            found = now if self._past and found.date() == now.date() else found
        return found.astimezone(UTC)


MOMENT = Moment()
PAST = Moment(past=True)


def typed(path: Path) -> str:
    """A path as one has to type it in a shell: spaces and signs quoted, no dash in front."""
    text = str(path)
    return shlex.quote(f"./{text}" if text.startswith("-") else text)


class Commands(click.Group):
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
        except FieldFaultError as e:
            self._stop(ctx, str(e), 1)
        except Exception as e:  # anything else is a fault of ours
            kind = type(e).__name__
            self._stop(ctx, f"field-atlas failed by a fault of its own ({kind}: {e}); --debug shows where.", 1)
        return None

    def _stop(self, ctx: click.Context, sentence: str, code: int) -> None:
        if ctx.params.get("debug"):
            say(*traceback.format_exc().splitlines(), err=True)
        say(" ".join(sentence.split()), err=True)
        sys.exit(code)


def noted(sentence: str) -> None:
    """Say what is to be known beside the answer."""
    say(f"note: {sentence}", err=True)


def _points(texts: tuple[str, ...]) -> list[tuple[float, float]]:
    """Coordinates written as X,Y. Raises RowError naming the first that is not."""
    points = []
    for text in texts:
        parts = text.split(",")
        try:
            x, y = (float(part) for part in parts)
        except ValueError as e:
            raise RowError(f"'{text}' is no place; write it as X,Y, for example 612345.6,5201234.5.") from e
        points.append((x, y))
    return points


def marking(shape: str | None, texts: tuple[str, ...]) -> BaseGeometry:
    """The point, line or area that was asked for. Raises RowError where places are missing or too many."""
    points = _points(texts)
    least = {"at": 1, "line": 2, "area": 3}
    if shape is None:
        raise RowError("Say where it is: --at X,Y, or --line X,Y X,Y …, or --area X,Y X,Y X,Y …")
    if len(points) < least[shape] or (shape == "at" and len(points) > 1):
        raise RowError(
            f"--{shape} got {len(points)} places; it takes {least[shape]}{'' if shape == 'at' else ' or more'}."
        )
    if shape == "at":
        return Point(points[0])
    return LineString(points) if shape == "line" else Polygon(points)


def tell_failures(sentences: Sequence[str], traces: Sequence[str]) -> None:
    """One sentence for each field that is not on the map; under --debug also where that came from."""
    for sentence, trace in zip(sentences, traces, strict=True):
        traced(trace)
        say(f"not published: {' '.join(sentence.split())}", err=True)


def traced(trace: str) -> None:
    """Under --debug, say where something came from."""
    if click.get_current_context().find_root().params.get("debug"):
        say(*trace.splitlines(), err=True)


def steps(bar: object) -> Callable[[int, int], None]:
    """Feed a progress bar from (done, total)."""

    def step(done: int, total: int) -> None:
        bar.length = max(total, 1)  # type: ignore[attr-defined]
        bar.update(done - bar.pos)  # type: ignore[attr-defined]

    return step
