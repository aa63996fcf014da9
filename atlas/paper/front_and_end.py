"""What stands before and after the field sheets in the bound atlas: the overview with its list, the machine cards,
the briefing record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from atlas.errors import OutputError
from atlas.languages import spoken
from atlas.pages.context import PageContext
from atlas.pages.overview_paper import sheet_for
from atlas.pages.render import day, environment
from atlas.paper.blocks import Block, Setting
from atlas.paper.page_tree import Element, read_page
from atlas.paper.phrases import (
    ATLAS,
    BRIEFING,
    FARMS,
    MACHINES,
    MAP,
    OVERVIEW,
    PAGE,
    SHEET_COUNT,
    SHEET_OF_MAP,
    said,
)
from atlas.paper.pictures import fit
from atlas.paper.typesetting import typeset


@dataclass(frozen=True)
class BoundSheet:
    """A field's sheet in the bound atlas: its number in the list, its name, the map it last changed in, and how
    many pages it has there."""

    number: int
    name: str
    map_number: int
    pages: int


def overview_pdf(index: bytes, sheets: Sequence[BoundSheet], ctx: PageContext) -> bytes:
    """The overview to scale and the list of fields, from the overview's page. `sheets` are in the list's order.

    Raises OutputError where the page is not laid out as overview pages are.
    """
    return typeset("overview.typ", _overview(read_page(index), sheets, ctx), ctx.issued_at)


def farms_pdf(index: bytes, ctx: PageContext) -> bytes:
    """The list of farms, from its page."""
    main = _part(read_page(index), "main", "")
    data = {
        **_common(ctx, said(FARMS)),
        "heading": said(FARMS),
        "words": Setting().within(_part(main, "section", "fm-list")),
        "cards": [],
        "grounds": [],
    }
    return typeset("machines.typ", data, ctx.issued_at)


def machines_pdf(machines: bytes, ctx: PageContext) -> bytes:
    """The machine cards, a page each, from their page."""
    main = _part(read_page(machines), "main", "")
    setting = Setting()
    data = {
        **_common(ctx, said(MACHINES)),
        "heading": said(MACHINES),
        "words": setting.blocks([e for e in main.children if isinstance(e, Element) and e.tag == "p"]),
        "cards": [setting.within(card) for card in main.every("article", "mc-card")],
        "grounds": setting.within(main.find("section", "mc-grounds")),
    }
    return typeset("machines.typ", data, ctx.issued_at)


def briefing_pdf(sheets: Sequence[BoundSheet], ctx: PageContext) -> bytes:
    """The record of a briefing, with a line for each field."""
    record = environment().get_template("parts/briefing.html").render(fields=sheets)
    data = {**_common(ctx, said(BRIEFING)), "record": Setting().within(read_page(record.encode()))}
    return typeset("briefing.typ", data, ctx.issued_at)


def _common(ctx: PageContext, what: str) -> dict[str, Any]:
    number = said(MAP, number=ctx.number, issued=day(ctx.issued_at))
    return {
        "title": said(ATLAS, farm=fit(ctx.farm_name), number=ctx.number),
        "lang": spoken().code,
        "farm": fit(ctx.farm_name),
        "map": number,
        "draft": [],
        "foot": f"{fit(ctx.farm_name)} · {what}",
        "count": said(SHEET_COUNT, n="{n}", all="{all}"),
    }


def _overview(page: Element, sheets: Sequence[BoundSheet], ctx: PageContext) -> dict[str, Any]:
    main = _part(page, "main", "")
    setting = Setting(_part(main, "svg", "ov-defs").markup)
    paper = sheet_for(ctx.settings.print.paper, ctx.settings.print.turned)
    signs = _part(main, "section", "ov-signs")
    listed = _part(main, "section", "ov-list")
    heads = [fit(e.text()) for e in _part(listed, "thead", "").every("th")]
    return {
        **_common(ctx, said(OVERVIEW)),
        "draft": setting.blocks([d] if (d := page.find("p", "draft")) else []),
        "width": paper.width_mm,
        "height": paper.height_mm,
        "sideways": paper.turned == "sideways",
        "list-columns": 2 if paper.turned == "sideways" or paper.paper == "A3" else 1,
        "heading": fit(_part(page, "h1", "").text()),
        "picture": setting.picture(_part(main, "svg", "ov-picture")),
        "caption": setting.within(main.find("figcaption")),
        "sign-columns": 4,
        "signs": [_sign(item, setting) for item in signs.every("li")],
        "signs-note": setting.blocks([e for e in signs.children if isinstance(e, Element) and e.tag == "p"]),
        "beside": [setting.within(main.find("section", name)) for name in ("ov-call", "cautions")],
        "before": [
            *_missing(main, setting),
            *(setting.within(main.find("section", name)) for name in ("ov-first", "ov-released")),
        ],
        "fields-title": fit(_part(listed, "h2", "").text()),
        "columns": [*heads, said(SHEET_OF_MAP), said(PAGE)],
        "rows": _rows(listed, setting, sheets),
    }


def _missing(main: Element, setting: Setting) -> list[list[Block]]:
    """The warning of fields that are not on this map, where there are any."""
    warning = main.find("p", "missing")
    return [setting.blocks([warning])] if warning is not None else []


def _sign(item: Element, setting: Setting) -> dict[str, Any]:
    sample = _part(item, "svg", "ov-key")
    return {
        "svg": setting.runs([sample])[0]["svg"],
        "c": setting.runs([e for e in item.children if e is not sample]),
    }


def _rows(listed: Element, setting: Setting, sheets: Sequence[BoundSheet]) -> list[dict[str, Any]]:
    """The list's rows. `after` counts the pages between the overview's last and the field's first."""
    body = _part(listed, "tbody", "").every("tr")
    if len(body) != len(sheets):
        raise OutputError("print/atlas.pdf: the overview's page lists other fields than there are sheets.")
    rows, after = [], 1
    for row, sheet in zip(body, sheets, strict=True):
        cells = [e for e in row.children if isinstance(e, Element) and e.tag in ("td", "th")]
        rows.append(
            {
                "number": str(sheet.number),
                "field": [{"t": fit(sheet.name), "s": "b"}, *setting.runs(_after_link(cells[1]))],
                "share": [{"t": cells[2].text(), "s": ""}],
                "map": str(sheet.map_number),
                "after": after,
            }
        )
        after += sheet.pages
    return rows


def _part(within: Element, tag: str, name: str) -> Element:
    found = within.find(tag, name)
    if found is None:
        raise OutputError(f"print/atlas.pdf: the page has no '{name or tag}'; it cannot be set.")
    return found


def _after_link(cell: Element) -> list[Element | str]:
    """What the list says of a field after its name."""
    return [e for e in cell.children if isinstance(e, Element) and e.tag != "a"]
