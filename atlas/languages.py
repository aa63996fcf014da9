"""The language a page is written in. English is the source; every other one is a gettext catalogue by itself,
`templates/locale/<code>/LC_MESSAGES/atlas.po`, and a further one is one such file.

Words and numbers are put in the language that is being spoken (`speaking`), so that what makes a page need not
hand the language down through every function. Stored data stay in the source's words and are said when shown.
"""

from __future__ import annotations

import gettext
import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import tzinfo
from functools import cache, cached_property
from importlib import resources
from pathlib import Path
from zoneinfo import ZoneInfo

from babel import Locale, UnknownLocaleError
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import get_decimal_symbol

from atlas.errors import SettingsError

SOURCE = "en"
# Days before months and no capitals inside a sentence, as everywhere else on the pages.
_LOCALES = {SOURCE: "en_GB"}
_CHECKED = re.compile(r'^"X-Checked-By:[ \t]*(?P<who>[^"\\]*?)[ \t]*\\n"$', re.M)


@dataclass(frozen=True)
class Language:
    """One language: its code (BCP 47), its name in itself, how it writes numbers and dates, its words.

    `draft`: no native speaker has checked its words.
    """

    code: str
    name: str
    locale: Locale
    texts: gettext.NullTranslations
    draft: bool

    @cached_property
    def decimal_sign(self) -> str:
        return get_decimal_symbol(self.locale)  # reads through the locale's whole tree of data each time


@dataclass(frozen=True)
class Speaker:
    """A language as one set of an atlas's pages uses it: "index" + `suffix` + ".html"."""

    language: Language
    suffix: str
    zone: tzinfo | None = None  # times are told by its clock, without one as they come

    def page(self, path: str) -> str:
        """Where this language's version of a page or a PDF lies: "index.html", "index.de.html"."""
        stem, dot, ending = path.rpartition(".")
        return stem + self.suffix + dot + ending if ending in ("html", "pdf") else path


def templates_folder() -> Path:
    """Where the templates are: inside the installed package, or beside it in the source tree."""
    installed = Path(str(resources.files("atlas"))) / "_templates"
    return installed if installed.is_dir() else Path(__file__).resolve().parents[1] / "templates"


def catalogue_file(code: str) -> Path:
    return templates_folder() / "locale" / code / "LC_MESSAGES" / "atlas.po"


@cache
def known() -> tuple[str, ...]:
    """The codes of all languages there are, the source first."""
    found = (templates_folder() / "locale").glob("*/LC_MESSAGES/atlas.po")
    return (SOURCE, *sorted(p.parent.parent.name for p in found))


@cache
def language(code: str) -> Language:
    """One of the known languages. Raises SettingsError for another, or where its catalogue cannot be read."""
    if code not in known():
        raise SettingsError(f"there is no language '{code}'; there are {', '.join(known())}.")
    try:
        plain, locale = (Locale.parse(c.replace("-", "_")) for c in (code, _LOCALES.get(code, code)))
    except (UnknownLocaleError, ValueError) as e:
        raise SettingsError(f"'{code}' is no language's code; name the catalogue's folder by one.") from e
    name = plain.get_display_name() or code
    if code == SOURCE:
        return Language(code, name, locale, gettext.NullTranslations(), draft=False)
    raw = catalogue_file(code).read_bytes()
    return Language(code, name[0].upper() + name[1:], locale, _texts(raw, code), not checked_by(raw.decode()))


def checked_by(catalogue: str) -> str:
    """The native speaker who checked a catalogue, from its X-Checked-By line; empty where nobody has."""
    found = _CHECKED.search(catalogue)
    return found["who"] if found else ""


def _texts(raw: bytes, code: str) -> gettext.GNUTranslations:
    try:
        catalogue = read_po(io.BytesIO(raw), locale=code.replace("-", "_"), abort_invalid=True)
    except ValueError as e:  # babel's own errors are among them
        raise SettingsError(f"{catalogue_file(code)}: is no gettext catalogue ({e}); mend it.") from e
    compiled = io.BytesIO()
    write_mo(compiled, catalogue)  # what is empty or fuzzy is left out, and then said in the source's words
    return gettext.GNUTranslations(io.BytesIO(compiled.getvalue()))


_speaker: ContextVar[Speaker | None] = ContextVar("speaker", default=None)


def speaker() -> Speaker:
    """Who is speaking now: the source, at the usual addresses, where nobody was told to."""
    return _speaker.get() or Speaker(language(SOURCE), "")


def spoken() -> Language:
    return speaker().language


def speakers(codes: Sequence[str], time_zone: str = "UTC") -> tuple[Speaker, ...]:
    """One per language of an atlas: the first has the usual addresses, the others carry their code.

    Raises ZoneInfoNotFoundError for a time zone that settings would refuse.
    """
    zone = None if time_zone == "UTC" else ZoneInfo(time_zone)
    return tuple(Speaker(language(code), f".{code}" if i else "", zone) for i, code in enumerate(codes))


@contextmanager
def speaking(who: Speaker) -> Iterator[Speaker]:
    """Inside, `tr` and all numbers and dates are in this speaker's language."""
    token = _speaker.set(who)
    try:
        yield who
    finally:
        _speaker.reset(token)


def tr(text: str) -> str:
    """A text in the language being spoken."""
    return spoken().texts.gettext(text) if text else ""


def tr_many(one: str, many: str, n: int) -> str:
    """A text that counts something, in the language being spoken."""
    return spoken().texts.ngettext(one, many, n)
