"""A page of the atlas read back as a tree, so that paper says what the page says, in the same words.

The page's own conventions tell what is for paper: `standing` and `print-only` stay, `moving`, `live`, buttons,
links to other pages and what is hidden go.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = frozenset(("meta", "link", "img", "input", "br", "hr"))
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

    @property
    def classes(self) -> list[str]:
        return self.attributes.get("class", "").split()

    def on_paper(self) -> bool:
        return (
            self.tag not in NOT_ON_PAPER
            and "hidden" not in self.attributes
            and not CLASSES_NOT_ON_PAPER.intersection(self.classes)
        )

    def all(self) -> Iterator[Element]:
        """This element and every one within it, in reading order."""
        yield self
        for child in self.children:
            if isinstance(child, Element):
                yield from child.all()

    def find(self, tag: str = "", name: str = "") -> Element | None:
        """The first element of this type and class (or id, as "#id")."""
        for one in self.all():
            if tag not in ("", one.tag):
                continue
            if not name or name in one.classes or (name.startswith("#") and one.attributes.get("id") == name[1:]):
                return one
        return None

    def every(self, tag: str = "", name: str = "") -> list[Element]:
        return [e for e in self.all() if tag in ("", e.tag) and (not name or name in e.classes)]

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
    pictures: list[str] = []
    parts: list[str] = []
    at = 0
    while (start := text.find("<svg", at)) >= 0:
        end = text.find("</svg>", start)
        if end < 0:
            raise ValueError("a picture of the page has no end")
        head = text[start : text.index(">", start)]
        parts += [text[at:start], f'{head} data-picture="{len(pictures)}"></svg>']
        pictures.append(text[start : end + 6])
        at = end + 6
    reader = _Reader(pictures)
    reader.feed("".join([*parts, text[at:]]))
    reader.close()
    return reader.root


class _Reader(HTMLParser):
    def __init__(self, pictures: list[str]) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("page", {})
        self._open = [self.root]
        self._pictures = pictures

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        attributes = {name: value or "" for name, value in attrs}
        element = Element(tag, attributes)
        if tag == "svg":
            element.markup = self._pictures[int(attributes["data-picture"])]
        self._open[-1].children.append(element)
        if tag not in VOID:
            self._open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        if any(e.tag == tag for e in self._open[1:]):
            while self._open.pop().tag != tag:
                pass

    def handle_data(self, data: str) -> None:
        self._open[-1].children.append(data)
