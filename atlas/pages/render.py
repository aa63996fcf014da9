"""Turns templates into bytes: escaping always on, a missing value is an error, every word goes through gettext."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from gettext import NullTranslations
from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from atlas import words
from atlas.pages.context import PageContext

# Nothing is fetched, nothing runs but the atlas's own files. 'self' covers pages from disk in Chromium; `file:`
# is for browsers that give a page from disk no origin of its own.
POLICY = (
    "default-src 'none'; script-src 'self' file:; style-src 'self' file:; img-src 'self' file: data:; "
    "base-uri 'none'; form-action 'none'"
)


def templates_folder() -> Path:
    """Where the templates are: inside the installed package, or beside it in the source tree."""
    installed = Path(str(resources.files("atlas"))) / "_templates"
    return installed if installed.is_dir() else Path(__file__).resolve().parents[2] / "templates"


@cache
def environment() -> Environment:
    """The one Jinja environment of the project. Text is escaped unless it is Markup made by our own code."""
    env = Environment(
        loader=FileSystemLoader(templates_folder(), encoding="utf-8"),
        autoescape=True,
        undefined=StrictUndefined,
        extensions=["jinja2.ext.i18n"],
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        auto_reload=False,
    )
    said = NullTranslations()
    env.install_gettext_translations(said, newstyle=True)  # type: ignore[attr-defined]  # the i18n extension adds it
    # Jinja's own _() takes its text for a template: markup stays markup, a "%" is filled in. Ours may hold a name.
    env.globals["_"] = said.gettext
    env.filters.update(steep=words.steep, area=area, metres=metres, when=when, day=day, number=number)
    env.globals.update(words=words, policy=POLICY)
    return env


def page(template: str, ctx: PageContext, root: str, values: Mapping[str, Any]) -> bytes:
    """Render a page. `root` leads from the page to the atlas's folder ("." or "..").

    Raises jinja2.UndefinedError where the template names what nobody gave it.
    """
    text = environment().get_template(template).render(ctx=ctx, root=root, language=ctx.languages[0], **values)
    return "\n".join(line.rstrip(" ") for line in text.split("\n") if line.strip()).encode() + b"\n"


def number(value: float, decimals: int = 0) -> str:
    """Thousands set apart by a narrow space that does not break: "1 250"."""
    return f"{value:,.{decimals}f}".replace(",", "\u202f")


def area(square_metres: float) -> str:
    """An area as a farmer says it: hectares from 1 000 m² on, else square metres."""
    if square_metres >= 1000:
        return f"{square_metres / 10_000:.2f} ha"
    return f"{number(square_metres)} m²"


def metres(length: float) -> str:
    """A length to the metre, below ten metres to the tenth."""
    return f"{round(length, 1):g} m" if 0 < length < 9.95 else f"{number(length)} m"


MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def day(moment: datetime) -> str:
    """ "12 June 2026" in the moment's own time zone."""
    return f"{moment.day} {MONTHS[moment.month - 1]} {moment.year}"


def when(moment: datetime) -> str:
    """ "12 June 2026, 18:00 UTC": a page from disk cannot know the farm's clock, so the zone is said."""
    zone = moment.tzname()  # "UTC", "UTC+02:00"
    return f"{day(moment)}, {moment:%H:%M}{' ' + zone if zone else ''}"


def stamp(moment: datetime) -> str:
    """For <time datetime=…> and scripts: ISO 8601 in UTC, to the second."""
    fixed = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return fixed.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
