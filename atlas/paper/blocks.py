"""A page's tree as plain blocks for the typesetter: paragraphs, lists, tables and pictures, all text as data.

Text is never set as Typst source: it reaches the typesetter as JSON strings and is laid out as it stands.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import unescape
from typing import Any

from atlas.paper.page_tree import Element
from atlas.paper.pictures import fit, millimetres, paper_picture

Block = dict[str, Any]
Run = dict[str, Any]
HEADINGS = {"h1": 1, "h2": 2, "h3": 3}
INLINE = frozenset(("a", "abbr", "b", "em", "i", "q", "small", "span", "strong", "svg", "time"))
_UNIT = re.compile(r"(\d) (%|°|m²|ha\b|cm\b|m\b|t\b|kg\b|h\b)")  # a number is not torn from its unit
PICTURE_MM = 90.0  # a picture that states no size
SMALL_MM = 60.0
NARROW_TABLE = 40  # letters across: such a table is not drawn out over the whole page
_TITLE = re.compile(r"<title[^>]*>([^<]*)</title>")
_DESCRIPTION = re.compile(r"<desc[^>]*>([^<]*)</desc>")
_LABEL = re.compile(r'<svg[^>]* aria-label="([^"]*)"')
_SIZE = re.compile(r'<svg[^>]*? width="([\d.]+mm)"')
_BOX = re.compile(r'<svg[^>]*? viewBox="([^"]*)"')


class Setting:
    """Turns elements into blocks; knows the fills that pictures of the page share."""

    def __init__(self, *definitions: str) -> None:
        self._definitions = definitions

    def blocks(self, elements: Iterable[Element | str]) -> list[Block]:
        """Blocks of what is for paper; loose words between blocks become paragraphs."""
        out: list[Block] = []
        loose: list[Element | str] = []
        for one in elements:
            if isinstance(one, str) or (one.tag in INLINE and not _figure(one)):
                loose.append(one)
                continue
            out += self._paragraph(loose)
            loose = []
            if one.on_paper():
                out += self._block(one)
        return out + self._paragraph(loose)

    def within(self, element: Element | None) -> list[Block]:
        """Blocks of all that stands inside an element."""
        return self.blocks(element.children) if element is not None else []

    def runs(self, elements: Iterable[Element | str], style: str = "") -> list[Run]:
        """Words and small pictures in a line; `style` is "" or "b", "i", "small", "tag", "flag"."""
        out: list[Run] = []
        for one in elements:
            if isinstance(one, str):
                text = _UNIT.sub("\\1\u00a0\\2", re.sub(r"[ \t\r\n]+", " ", fit(one)))
                if text:
                    out.append({"t": text, "s": style})
            elif one.on_paper():
                out += self._inline(one, style)
        return _joined(out)

    def picture(self, element: Element, alt: str = "") -> Block:
        """A picture block in its own size, with the words that stand for it."""
        svg = element.markup
        return {
            "k": "picture",
            "svg": paper_picture(svg, self._definitions),
            "alt": fit(alt or _alt(svg)),
            "mm": _width_mm(svg) or PICTURE_MM,
        }

    def _inline(self, one: Element, style: str) -> list[Run]:
        if one.tag == "svg":
            return [{"svg": paper_picture(one.markup, self._definitions), "mm": 0.0}]
        if "tag" in one.classes:
            return [{"t": one.text(), "s": "tag"}]
        if one.tag == "q":
            return [{"t": "“", "s": style}, *self.runs(one.children, style), {"t": "”", "s": style}]
        if "flag" in one.classes:
            style = "flag"
        elif one.tag in ("b", "strong") and not style:
            style = "b"
        elif one.tag == "small":
            style = "small"
        runs = self.runs(one.children, style)
        # what a page sets below each other by style alone
        if {"mc-back", "ov-more", "ov-state"}.intersection(one.classes):
            return [{"t": "\n", "s": ""}, *runs]
        return runs

    def _paragraph(self, loose: Sequence[Element | str]) -> list[Block]:
        runs = _trimmed(self.runs(loose))
        return [{"k": "p", "c": runs}] if runs else []

    def _block(self, one: Element) -> list[Block]:
        if one.tag in HEADINGS:
            return [{"k": "h", "level": HEADINGS[one.tag], "c": _trimmed(self.runs(one.children))}]
        if one.tag == "p":
            if "ov-screen" in one.classes:  # a list's rest is told on paper, a link is not
                return []
            return self._paragraph(one.children)
        if one.tag in ("ul", "ol"):
            return self._list(one)
        if one.tag == "table":
            return [self._table(one)]
        if one.tag == "dl":
            return [self._terms(one)]
        if one.tag == "svg":
            return [self.picture(one)] if one.attributes.get("width") != "0" else []
        return self.blocks(one.children)

    def _terms(self, one: Element) -> Block:
        items: list[dict[str, Any]] = []
        for child in one.children:
            if isinstance(child, Element) and child.tag == "dt":
                items.append({"t": _trimmed(self.runs(child.children)), "c": []})
            elif isinstance(child, Element) and child.tag == "dd" and items:
                items[-1]["c"] = _trimmed(self.runs(child.children))
        return {"k": "terms", "items": items}

    def _list(self, one: Element) -> list[Block]:
        items = [e for e in one.children if isinstance(e, Element) and e.tag == "li" and e.on_paper()]
        if not items:
            return []
        if "tags" in one.classes:
            return [{"k": "tags", "items": [self._tagged(i) for i in items]}]
        kind = "ol" if one.tag == "ol" else "ul"
        return [{"k": kind, "items": [self.blocks(i.children) for i in items]}]

    def _tagged(self, item: Element) -> dict[str, Any]:
        tag = item.find("span", "tag")
        number = tag.text() if tag is not None else ""
        rest = [e for e in item.children if e is not tag]
        return {"tag": int(number) if number.isdigit() else 0, "c": self.blocks(rest)}

    def _table(self, one: Element) -> Block:
        caption = one.find("caption")
        rows = [_cells(row) for row in one.every("tr")]
        head = rows[0] if one.find("thead") is not None and rows else []
        body = rows[1:] if head else rows
        return {
            "k": "table",
            "caption": _trimmed(self.runs(caption.children)) if caption is not None else [],
            "columns": max((len(r) for r in rows), default=0),
            "shares": _shares(rows),
            "head": [self._cell(c) for c in head],
            "rows": [[self._cell(c) for c in row] for row in body],
        }

    def _cell(self, cell: Element) -> dict[str, Any]:
        return {
            "c": _trimmed(self.runs(cell.children)),
            "num": "num" in cell.classes,
            "head": cell.tag == "th" and cell.attributes.get("scope") == "row",
        }


def _cells(row: Element) -> list[Element]:
    return [e for e in row.children if isinstance(e, Element) and e.tag in ("th", "td")]


def _shares(rows: Sequence[Sequence[Element]]) -> list[float]:
    """How a table's width is shared out: by each column's longest text, damped; 0 is "as wide as it needs"."""
    columns = max((len(r) for r in rows), default=0)
    longest = [max((len(r[i].text()) for r in rows if i < len(r)), default=0) for i in range(columns)]
    if sum(longest) <= NARROW_TABLE:
        return [0.0] * columns
    numbers = [any("num" in r[i].classes for r in rows if i < len(r)) for i in range(columns)]
    return [
        0.0 if number else round(max(2.0, length**0.5), 2) for length, number in zip(longest, numbers, strict=True)
    ]


def _figure(one: Element) -> bool:
    """Whether an SVG stands by itself rather than in a line of words."""
    return one.tag == "svg" and (_width_mm(one.markup) > 0 or bool(_LABEL.search(one.markup)))


def _alt(markup: str) -> str:
    found = _TITLE.search(markup) or _LABEL.search(markup)
    more = _DESCRIPTION.search(markup)
    words = [unescape(m[1]).strip() for m in (found, more) if m]
    return ". ".join(words)


def _width_mm(markup: str) -> float:
    found = _SIZE.search(markup)
    return millimetres(found[1]) if found else 0.0


def beside(blocks: list[Block]) -> list[Block]:
    """Small pictures with what follows them set beside, up to the next picture or heading."""
    out: list[Block] = []
    for block in blocks:
        if block["k"] == "picture" and block["mm"] <= SMALL_MM:
            out.append({"k": "beside", "picture": block, "c": []})
        elif out and out[-1]["k"] == "beside" and block["k"] not in ("picture", "h"):
            out[-1]["c"].append(block)
        else:
            out.append(block)
    return out


def _joined(runs: list[Run]) -> list[Run]:
    out: list[Run] = []
    for run in runs:
        if out and "t" in run and "t" in out[-1] and run["s"] == out[-1]["s"] and run["s"] != "tag":
            out[-1] = {"t": out[-1]["t"] + run["t"], "s": run["s"]}
        else:
            out.append(run)
    return out


def _trimmed(runs: list[Run]) -> list[Run]:
    """Runs without spaces at the ends; nothing where only spaces stand."""
    out = [dict(r) for r in runs]
    while out and "t" in out[0] and not out[0]["t"].strip():
        out.pop(0)
    while out and "t" in out[-1] and not out[-1]["t"].strip():
        out.pop()
    if out and "t" in out[0]:
        out[0]["t"] = out[0]["t"].lstrip(" \n")
    if out and "t" in out[-1]:
        out[-1]["t"] = out[-1]["t"].rstrip(" \n")
    return out
