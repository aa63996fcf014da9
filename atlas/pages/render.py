"""Turns templates into bytes: escaping always on, a missing value is an error, every word goes through gettext.

Numbers and dates are written here too, in the language being spoken (`atlas.languages`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from babel.dates import format_date, format_skeleton
from babel.lists import format_list
from jinja2 import Environment, FileSystemLoader, StrictUndefined, pass_context
from jinja2.runtime import Context

from atlas import words
from atlas.driving.place_names import place_in
from atlas.languages import speaker, speaking, spoken, templates_folder, tr, tr_many
from atlas.pages.context import PageContext
from atlas.pages.template_cache import FOLDER, TemplateCache
from atlas.words import number as number  # made in every language, like what follows here
from atlas.words import short as short

# Nothing is fetched, nothing runs but the atlas's own files. 'self' covers pages from disk in Chromium; `file:`
# is for browsers that give a page from disk no origin of its own.
POLICY = (
    "default-src 'none'; script-src 'self' file:; style-src 'self' file:; img-src 'self' file: data:; "
    "base-uri 'none'; form-action 'none'"
)


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
        bytecode_cache=TemplateCache(FOLDER, Path(__file__)),
    )
    env.install_gettext_callables(tr, tr_many, newstyle=True)  # type: ignore[attr-defined]  # the extension adds it
    # Jinja's own _() takes its text for a template: markup stays markup, a "%" is filled in. Ours may hold a name.
    env.globals["_"] = tr
    filters: dict[str, Callable[..., str]] = {
        "steep": words.steep, "area": area, "metres": metres, "when": when, "day": day, "number": number,
        "short": short, "listed": listed, "place": place, "spoken": in_this_language,
    }  # fmt: skip
    env.filters.update({name: _each_time(way) for name, way in filters.items()})
    env.globals.update(words=words, policy=POLICY)
    return env


def _each_time(way: Callable[..., str]) -> Callable[..., str]:
    """A filter that Jinja does not work out once for all languages, even where a template gives it a constant."""

    @pass_context
    def asked(_: Context, value: Any, *more: Any) -> str:
        return way(value, *more)

    return asked


def pages(path: str, template: str, ctx: PageContext, values: Callable[[], Mapping[str, Any]]) -> dict[str, bytes]:
    """A page in every language of the atlas: where each lies → its bytes. `path` is the first language's.

    `values` is asked anew for each, since it may hold words and numbers.
    """
    made = {}
    for who in ctx.speakers:
        with speaking(who):
            made[who.page(path)] = page(template, ctx, path, values())
    return made


def page(template: str, ctx: PageContext, path: str, values: Mapping[str, Any]) -> bytes:
    """Render a page in the language being spoken. `path` is where its first language lies in the atlas's folder.

    Raises jinja2.UndefinedError where the template names what nobody gave it.
    """
    root = "/".join([".."] * path.count("/")) or "."
    others = [(who.language, f"{root}/{who.page(path)}") for who in ctx.speakers]
    text = (
        environment()
        .get_template(template)
        .render(ctx=ctx, root=root, language=spoken(), others=others if len(others) > 1 else (), **values)
    )
    return "\n".join(line.rstrip(" ") for line in text.split("\n") if line.strip()).encode() + b"\n"


def in_this_language(path: str) -> str:
    """The page at `path` as a page of the language being spoken links to it."""
    return speaker().page(path)


def place(words_of_it: str) -> str:
    """A place in a field, kept in the source's words, in the language being spoken."""
    return place_in(words_of_it, tr)


def listed(parts: list[str] | tuple[str, ...]) -> str:
    """ "A, B and C" """
    return format_list(list(parts), "standard", spoken().locale)


def area(square_metres: float) -> str:
    """An area as a farmer says it: hectares from 1 000 m² on, else square metres."""
    if square_metres >= 1000:
        return f"{number(square_metres / 10_000, 2)} ha"
    return f"{number(square_metres)} m²"


def metres(length: float) -> str:
    """A length to the metre, below ten metres to the tenth."""
    return f"{short(round(length, 1))} m" if 0 < length < 9.95 else f"{number(length)} m"


def day(moment: datetime) -> str:
    """ "12 June 2026" in the moment's own time zone."""
    return format_date(moment, "long", spoken().locale)


def day_of_year(moment: datetime) -> str:
    """ "12 June": where the sheet's own date says the year."""
    return format_skeleton("MMMMd", moment.date(), locale=spoken().locale)


def when(moment: datetime) -> str:
    """ "12 June 2026, 18:00 UTC": by the farm's clock, and its zone is said."""
    return f"{day(by_the_clock(moment))}, {clock(moment)}"


def by_the_clock(moment: datetime) -> datetime:
    """The same moment by the farm's clock, where settings say its zone; a moment without a zone stays."""
    zone = speaker().zone
    return moment.astimezone(zone) if zone and moment.tzinfo else moment


def clock(moment: datetime) -> str:
    """ "18:00 UTC", by the farm's clock."""
    here = by_the_clock(moment)
    zone = here.tzname()  # "UTC", "CEST"
    return f"{here:%H:%M}{' ' + zone if zone else ''}"


def stamp(moment: datetime) -> str:
    """For <time datetime=…> and scripts: ISO 8601 in UTC, to the second."""
    fixed = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return fixed.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
