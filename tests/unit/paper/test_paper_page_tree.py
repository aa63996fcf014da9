"""Pages are read back as a parser of the language's own library reads them."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest
from made_sheet import made_context, made_survey

from atlas.pages.sheet import field_sheet
from atlas.paper.page_tree import VOID, Element, read_page

ODD = b"""<!DOCTYPE html>
<html lang="en"><head><title>A &amp; B</title><meta charset="utf-8"><script src="a.js"></script>
<style>p > a { color: red }</style><script>if (1 < 2 && "</p>") {}</script></head>
<body class="x  y"><!-- <p>not this</p> --><p title="3 > 2 &quot;said&quot;" hidden>
1 &lt; 2 &#8211; <b>b</b><br/>end</p>
<ul><li data-a=1 data-b='two "2"'>one<li>two</ul></i>
<svg viewBox="0 0 1 1"><path d="M0 0>"/></svg> loose</body></html>
"""


class PlainReader(HTMLParser):
    """The same tree, by the library's parser. Pictures are read on; what stands in them is dropped afterwards."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("page", {})
        self._open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs})
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


def plain(element: Element) -> list[object]:
    """A tree as lists; of a picture only the head, whose names the library's parser makes small."""
    names = {name.lower(): value for name, value in element.attributes.items()}
    if element.tag == "svg":
        return [element.tag, names]
    parts: list[object] = []
    for child in element.children:
        if isinstance(child, str) and parts and isinstance(parts[-1], str):
            parts[-1] += child
        else:
            parts.append(child if isinstance(child, str) else plain(child))
    return [element.tag, names, *parts]


def by_the_library(page: bytes) -> Element:
    reader = PlainReader()
    reader.feed(page.decode())
    reader.close()
    return reader.root


def test_an_odd_page_is_read_as_the_library_reads_it() -> None:
    assert plain(read_page(ODD)) == plain(by_the_library(ODD))


def test_a_sheet_is_read_as_the_library_reads_it() -> None:
    ctx = made_context()
    survey = made_survey(ctx)
    for page in field_sheet(survey, ctx).values():
        if page.startswith(b"<!"):
            assert plain(read_page(page)) == plain(by_the_library(page))


def test_a_picture_is_kept_as_it_is_written() -> None:
    picture = read_page(ODD).find("svg")
    assert picture is not None
    assert picture.markup == '<svg viewBox="0 0 1 1"><path d="M0 0>"/></svg>'


@pytest.mark.parametrize("page", [b"<p><svg width='1'><path/></p>", b"<p><script>1 < 2</p>", b"<style>p {}"])
def test_what_is_not_read_on_and_has_no_end_is_refused(page: bytes) -> None:
    with pytest.raises(ValueError, match="of the page has no end"):
        read_page(page)
