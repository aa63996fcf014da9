"""A page of the atlas read back as a tree, so that paper says what the page says, in the same words.

The page's own conventions tell what is for paper: `standing` and `print-only` stay, `moving`, `live`, buttons,
links to other pages and what is hidden go.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from html import unescape

_ATTRIBUTE = r"""[^\s"'<>/=]+(?:\s*=\s*(?:"[^"]*"|'[^']*'|[^\s"'<>=`]+))?"""
_MARK = re.compile(
    rf"<(?:(?P<end>/?)(?P<tag>[a-z][a-z0-9-]*)(?P<more>(?:\s+{_ATTRIBUTE})*)\s*(?P<closed>/?)>|!--.*?-->|![^>]*>)",
    re.S,
)
_PAIR = re.compile(r"""([^\s"'<>/=]+)(?:\s*=\s*(?:"([^"]*)"|'([^']*)'|([^\s"'<>=`]+)))?""")
SHORT = 60  # letters of an element's attributes
VOID = frozenset(("meta", "link", "img", "input", "br", "hr"))
NOT_READ = frozenset(("script", "style"))  # what stands in them is no page
NOT_ON_PAPER = frozenset(
    ("nav", "form", "button", "input", "label", "select", "textarea", "script", "style", "head")
)
CLASSES_NOT_ON_PAPER = frozenset(
    ("moving", "live", "skip", "ov-over", "ov-finder", "ov-behind", "ov-none", "ov-paper", "view-back")
)


@dataclass
class Element:
    """One element; `markup` is the whole source of an SVG, which is not read any further."""

    tag: str
    attributes: dict[str, str]
    children: list[Element | str] = field(default_factory=list)
    markup: str = ""
    classes: list[str] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self.classes = self.attributes.get("class", "").split()

    def on_paper(self) -> bool:
        return (
            self.tag not in NOT_ON_PAPER
            and "hidden" not in self.attributes
            and not CLASSES_NOT_ON_PAPER.intersection(self.classes)
        )

    @cached_property
    def _all(self) -> list[Element]:
        """This element and every one within it, in reading order."""
        out, waiting = [], [self]
        while waiting:
            one = waiting.pop()
            out.append(one)
            waiting += [child for child in reversed(one.children) if isinstance(child, Element)]
        return out

    def find(self, tag: str = "", name: str = "") -> Element | None:
        """The first element of this type and class (or id, as "#id")."""
        for one in self._all:
            if tag and one.tag != tag:
                continue
            if not name or name in one.classes or (name.startswith("#") and one.attributes.get("id") == name[1:]):
                return one
        return None

    def every(self, tag: str = "", name: str = "") -> list[Element]:
        return [e for e in self._all if tag in ("", e.tag) and (not name or name in e.classes)]

    def text(self) -> str:
        """All words for paper within, spaces run together."""
        return " ".join("".join(_words(self)).split())


def _words(element: Element) -> Iterator[str]:
    for child in element.children:
        if isinstance(child, str):
            yield child
        elif child.on_paper():
            yield from _words(child)


def read_page(page: bytes) -> Element:
    """The tree of a page of ours. Raises ValueError where a picture has no end."""
    text = page.decode("utf-8")
    root = Element("page", {})
    inside = [root]
    at = 0
    while (mark := _MARK.search(text, at)) is not None:
        if mark.start() > at:
            inside[-1].children.append(unescape(text[at : mark.start()]))
        at = mark.end()
        end, tag, more, closed = mark.groups()
        if tag is None:
            continue
        if end:
            _close(inside, tag)
            continue
        element = Element(tag, _attributes(more))
        inside[-1].children.append(element)
        if tag == "svg":
            at = text.find("</svg>", at) + len("</svg>")
            if at < mark.end():
                raise ValueError("a picture of the page has no end")
            element.markup = text[mark.start() : at]
        elif tag in NOT_READ:
            stop = text.find(f"</{tag}", at)
            if stop < 0:
                raise ValueError(f"a {tag} of the page has no end")
            within = text[at:stop]
            element.children += [within] if within else []
            at = stop
            inside.append(element)
        elif tag not in VOID and not closed:
            inside.append(element)
    if at < len(text):
        inside[-1].children.append(unescape(text[at:]))
    return root


def _attributes(written: str) -> dict[str, str]:
    return dict(_short(written) if len(written) < SHORT else _read(written))


def _read(written: str) -> dict[str, str]:
    return {m[1]: unescape(m[2] or m[3] or m[4] or "") for m in _PAIR.finditer(written)}


_short = lru_cache(maxsize=512)(_read)  # a class and little else, which many elements have alike


def _close(inside: list[Element], tag: str) -> None:
    """An end closes the innermost element of its type with all in it; one that nothing opened closes nothing."""
    if len(inside) > 1 and (inside[-1].tag == tag or any(e.tag == tag for e in inside[1:])):
        while inside.pop().tag != tag:
            pass
