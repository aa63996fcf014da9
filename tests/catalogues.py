"""Brings the catalogues up to date with the words in the source, and says what is left to translate.

    python tests/catalogues.py             add new messages, drop those that are gone, list what is not translated
    python tests/catalogues.py --new nl    begin a further language: one file, templates/locale/nl/…/atlas.po

What this writes is to be filled in by hand (or any gettext editor). A native speaker who has read all of it puts
their name into the file's X-Checked-By line; until then every sheet in that language says that it is a draft.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from string import Formatter

from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

from atlas.languages import SOURCE, checked_by

ROOT = Path(__file__).resolve().parents[1]
METHODS = [("atlas/**.py", "python"), ("templates/**.html", "jinja2"), ("templates/**.typ", "ignore")]
KEYWORDS = {"N_": None, "_": None, "tr": None, "tr_many": (1, 2), "gettext": None, "ngettext": (1, 2)}
OPTIONS = {"templates/**.html": {"trim_blocks": "true", "lstrip_blocks": "true", "silent": "false"}}
HINT = "run `python tests/catalogues.py`, then fill in what it lists"
_MARKUP = re.compile(r"</?[a-z]+[^>]*>")
_NAMED = re.compile(r"%\((\w+)\)[a-z]|%%")


def in_source() -> Catalog:
    """Every message the source marks, with the files it stands in."""
    catalogue = Catalog(charset="utf-8", project="field-atlas", version="")
    found = extract_from_dir(
        ROOT, METHODS, OPTIONS, KEYWORDS, comment_tags=("translators:",), strip_comment_tags=True
    )
    for name, _, message, comments, context in found:
        catalogue.add(message, None, [(name, 0)], auto_comments=comments, context=context)
    return catalogue


def catalogue_file(code: str) -> Path:
    """In the tree this file lies in, whichever one Python has installed."""
    return ROOT / "templates" / "locale" / code / "LC_MESSAGES" / "atlas.po"


def codes() -> list[str]:
    found = (ROOT / "templates" / "locale").glob("*/LC_MESSAGES/atlas.po")
    return sorted(path.parent.parent.name for path in found)


def catalogue(code: str) -> Catalog:
    with catalogue_file(code).open("rb") as f:
        return read_po(f, locale=code.replace("-", "_"), abort_invalid=True)


@dataclass(frozen=True)
class Fault:
    """What is wrong with one message of a catalogue."""

    message: str
    what: str


def missing(code: str) -> list[Fault]:
    """Messages that are new in the source, or not translated."""
    there = {m.id: m for m in catalogue(code) if m.id}
    wanted = (m for m in in_source() if m.id)
    return [Fault(_first(m), "not translated") for m in wanted if m.id not in there or not _whole(there[m.id])]


def stale(code: str) -> list[Fault]:
    """Messages the source no longer has."""
    source = {m.id for m in in_source() if m.id}
    return [Fault(_first(m), "no longer in the source") for m in catalogue(code) if m.id and m.id not in source]


def faults(code: str) -> list[Fault]:
    """What would go wrong with the translations there are: in doubt, other placeholders, other markup."""
    found = []
    for m in catalogue(code):
        if not m.id:
            continue
        if m.fuzzy:
            found.append(Fault(_first(m), "is marked as in doubt (fuzzy)"))
        found += [Fault(_first(m), what) for what in _differences(m)]
    return found


def _differences(m: Message) -> Iterator[str]:
    """Each form of a translation keeps what the source's form fills in, its markup, and its white space at the
    ends."""
    sources = [m.id] if isinstance(m.id, str) else list(m.id)
    for form in filter(None, forms(m)):
        for what, of in (("placeholders", _placeholders), ("markup", _markup), ("white space at its ends", _ends)):
            if not any(of(form) == of(one) for one in sources):
                yield f"has other {what}: {form!r}"


def _placeholders(text: str) -> list[str]:
    percent = sorted(found.group() for found in _NAMED.finditer(text))
    if percent:
        return percent
    try:
        return sorted({f"{{{name}}}" for _, name, _, _ in Formatter().parse(text) if name is not None})
    except ValueError as e:
        return [f"{e}: {text}"]


def _markup(text: str) -> list[str]:
    return sorted(_MARKUP.findall(text)) + ["<"] * text.count("<") + ["&"] * text.count("&")


def _ends(text: str) -> tuple[bool, bool]:
    return text[:1].isspace(), text[-1:].isspace()


def _whole(m: Message) -> bool:
    return bool(forms(m)) and all(forms(m))


def forms(m: Message) -> list[str]:
    """A translation's singular and plurals, or the one form it has."""
    return [m.string] if isinstance(m.string, str) else list(m.string or ())


def _first(m: Message) -> str:
    return m.id if isinstance(m.id, str) else m.id[0]


def update(code: str) -> None:
    """Add what the source has, drop what it has not; translations there are stay."""
    path = catalogue_file(code)
    who = checked_by(path.read_text("utf-8")) if path.is_file() else ""
    new = Catalog(code.replace("-", "_"), project="field-atlas", version="", charset="utf-8", fuzzy=False)
    old = {}
    if path.is_file():
        there = catalogue(code)
        old = {m.id: m for m in there if m.id}
        # Babel may know more plurals of a language than were translated: those that are there count
        new.mime_headers = [("Plural-Forms", there.plural_forms)]
    new.header_comment = f"# The words of field-atlas in {code}. See DEVELOPERS.md, A language."
    for m in in_source():
        if m.id:
            before = old.get(m.id)
            new.add(m.id, before.string if before else None, m.locations, auto_comments=m.auto_comments,
                    user_comments=before.user_comments if before else (), context=m.context)  # fmt: skip
    out = BytesIO()
    write_po(out, new, width=110, include_lineno=False, sort_by_file=True)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(_with_head(out.getvalue().decode(), new, who), "utf-8")


def _with_head(text: str, made: Catalog, who: str) -> str:
    """A head of three lines in place of Babel's, whose dates would make every change look larger than it is."""
    head, _, rest = text.partition("\n\n")
    kept = [line for line in head.splitlines() if line.startswith("#") and "fuzzy" not in line]
    lines = [
        'msgid ""', 'msgstr ""', f'"Language: {made.locale}\\n"', '"Content-Type: text/plain; charset=utf-8\\n"',
        f'"Plural-Forms: {made.plural_forms}\\n"', f'"X-Checked-By: {who}\\n"',
    ]  # fmt: skip
    return "\n".join([*kept, *lines]) + "\n\n" + rest.rstrip("\n") + "\n"


def main(arguments: list[str]) -> int:
    chosen = codes()
    if arguments[:1] == ["--new"]:
        chosen = [code for code in arguments[1:] if code != SOURCE]
    elif arguments:
        print(__doc__)
        return 2
    left = 0
    for code in chosen:
        update(code)
        for fault in [*missing(code), *faults(code)]:
            left += 1
            print(f"{code}: {fault.what}: {fault.message}")
    print(f"{left} to do in {', '.join(chosen)}." if left else f"All of {', '.join(chosen)} is translated.")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
