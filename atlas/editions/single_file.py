"""Folds a field's sheet into one file that asks for nothing: styles, scripts and data inside, each known to the
page's content policy by its digest.

Only what our own templates write is understood; a page that reads otherwise is refused rather than passed on.
"""

from __future__ import annotations

import base64
import hashlib
import json
import posixpath
import re
from collections.abc import Callable
from datetime import datetime

from atlas.errors import OutputError
from atlas.languages import SOURCE, Speaker, known, language, speaking
from atlas.pages.render import day, environment, stamp

Read = Callable[[str], bytes]

_HEAD = re.compile(
    r'<!doctype html>\n<html lang="(?P<lang>[A-Za-z-]{1,35})">\n<head>\n<meta charset="utf-8">\n'
    r'<meta http-equiv="Content-Security-Policy" content="(?P<policy>[^"<>]*)">\n'
)
_ASSET = re.compile(
    r'<link rel="stylesheet" href="(?P<style>[^"]*)"(?P<media>(?: media="[a-z ]*")?)>'
    r'|<script src="(?P<script>[^"]*)"(?: defer)?></script>'
)
_PICTURE = re.compile(r'(<img\b[^>]*? src=")([^"]*)"')
_LINK = re.compile(r'(<a\b[^>]*?) href="(?!#|(?:tel|sms|mailto|geo):)[^"]*"')
_PAGES = re.compile(r'<nav class="pages".*?</nav>\n?', re.S)
_SWITCH = re.compile(r'<nav class="languages".*?</nav>\n?', re.S)  # the others' files may not be handed on
_NUMBER = re.compile(r'<body class="[^"]*" data-number="(\d{1,9})">')
_FARM = re.compile(rb'"marking":\{[^{}]{0,200}?"farm":("(?:[^"\\]|\\.){0,1000}"),"file":')  # pages/marking.py
_OUTSIDE = re.compile(r"<(?:script|link|iframe|object|embed|base)\b[^>]*\b(?:src|href|data)=", re.I)
_PICTURES = {".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png", ".webp": "image/webp"}
EDITION = "assets/edition.js"


def own_number(page: bytes) -> int | None:
    """The map number a page last changed in, or None where it is no page of ours."""
    found = _NUMBER.search(page.decode("utf-8", "replace"))
    return int(found[1]) if found else None


def farm_of_sheet(sheet: bytes) -> str | None:
    """The farm that a single-file sheet was made for, or None where it is none of ours."""
    found = _FARM.search(sheet)
    try:
        return str(json.loads(found[1])) if found else None
    except ValueError:
        return None


def single_file(page: str, read: Read, number: int, issued_at: datetime) -> bytes:
    """The page at path `page` of an atlas as one file, of the map with this number.

    `read` gives a file of the atlas by its path. Raises OutputError where the page is not one of ours.
    """
    html = _decoded(page, read(page))
    head = _HEAD.match(html)
    if head is None:
        raise OutputError(f"{page}: is no page of an atlas; build the atlas anew.")
    inside = _Inside(page, read, _edition(number, issued_at))
    body = html[head.end() :]
    with speaking(_speaker(head["lang"])):
        before, after = (_note(part, number, issued_at) for part in ("handed_on", "handed_on_foot"))
    body = _PAGES.sub(lambda _: before, body, count=1)
    body = _SWITCH.sub("", _PAGES.sub("", body))
    body = body.replace("</footer>", after + "</footer>", 1)
    body = _LINK.sub(lambda m: m[1], body)
    body = _PICTURE.sub(lambda m: f'{m[1]}{inside.picture(m[2])}"', body)
    if _OUTSIDE.search(_ASSET.sub("", body)):
        raise OutputError(f"{page}: asks for a file that cannot be put inside it; build the atlas anew.")
    body = _ASSET.sub(inside.put, body)  # last and in one pass: what is inside has its digest and must not change
    return (head[0].replace(head["policy"], inside.policy()) + body).encode()


class _Inside:
    """Reads what a page asks for and remembers the digest of each script and style put inside."""

    def __init__(self, page: str, read: Read, edition: str) -> None:
        self._folder = posixpath.dirname(page)
        self._page, self._read, self._edition = page, read, edition
        self._scripts: list[str] = []
        self._styles: list[str] = []

    def put(self, asset: re.Match[str]) -> str:
        """The element that takes the place of one asking for a file."""
        if asset["style"] is not None:
            return self._style(asset["style"], asset["media"])
        return self._script(asset["script"])

    def _style(self, href: str, media: str) -> str:
        text = self._text(href).replace("</", "<\\/")
        self._styles.append(_digest(text))
        return f"<style{media}>{text}</style>"

    def _script(self, src: str) -> str:
        path = self._path(src)
        text = self._edition if path == EDITION else self._text(src)
        # Inside a script's literals and comments this says the same; elsewhere our scripts have none of it.
        text = re.sub(r"<(?=/script|script|!--)", r"\\x3c", text, flags=re.I)
        self._scripts.append(_digest(text))
        return f"<script>{text}</script>"

    def picture(self, src: str) -> str:
        if src.startswith("data:"):
            return src
        kind = _PICTURES.get(posixpath.splitext(src)[1].lower())
        if kind is None:
            raise OutputError(f"{self._page}: asks for '{src}', which is no picture; build the atlas anew.")
        return f"data:{kind};base64," + base64.b64encode(self._read(self._path(src))).decode()

    def policy(self) -> str:
        """Nothing from outside, and of what is inside only what was put there here."""
        scripts, styles = (" ".join(sorted(set(d))) or "'none'" for d in (self._scripts, self._styles))
        rules = (
            "default-src 'none'", f"script-src {scripts}", f"style-src {styles}", "img-src data: blob:",
            "base-uri 'none'", "form-action 'none'",
        )  # fmt: skip
        return "; ".join(rules).replace("'", "&#39;")

    def _text(self, reference: str) -> str:
        path = self._path(reference)
        return _decoded(path, self._read(path))

    def _path(self, reference: str) -> str:
        return posixpath.normpath(posixpath.join(self._folder, reference))


def _decoded(path: str, content: bytes) -> str:
    """Text as a browser will read it, so that digests agree. Raises OutputError where it is none of ours."""
    try:
        text = content.decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError as e:
        raise OutputError(f"{path}: is damaged; build the atlas anew.") from e
    if "\0" in text or "\r" in text:
        raise OutputError(f"{path}: is damaged; build the atlas anew.")
    return text


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _edition(number: int, issued_at: datetime) -> str:
    """Takes the place of assets/edition.js: the map this file was made from, for good."""
    facts = {"number": number, "issued_at": stamp(issued_at), "shared": True}
    return f"window.FIELD_ATLAS_EDITION = {json.dumps(facts, sort_keys=True)};\n"


def _speaker(code: str) -> Speaker:
    """Who says what is added; in the source's words where the page is in a language that is not known here."""
    return Speaker(language(code if code in known() else SOURCE), "")


def _note(part: str, number: int, issued_at: datetime) -> str:
    return environment().get_template(f"parts/{part}.html").render(number=number, issued=day(issued_at))
