"""What our style sheets say of a picture's parts, for pictures that no browser draws.

Only what those sheets use is understood: types, classes and descendants. Rules for screens, for states (`:hover`)
and with variables have no meaning on paper and are passed over.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

from atlas.languages import templates_folder

_COMMENT = re.compile(r"/\*.*?\*/", re.S)
_RULE = re.compile(r"([^{}]+)\{([^{}]*)\}")
_AT_BLOCK = re.compile(r"@[^{}]*\{(?:[^{}]*\{[^{}]*\})*[^{}]*\}")
_COMPOUND = re.compile(r"^([a-z]+)?((?:\.[\w-]+)*)$")
SHEETS = ("picture.css", "overview.css", "view.css")


@dataclass(frozen=True)
class Named:
    """What a selector looks at in one element: its type and its classes."""

    tag: str
    classes: frozenset[str]


@dataclass(frozen=True)
class Rule:
    """One selector (outermost part first) and what it sets; of two that fit, the weightier or later one wins."""

    parts: tuple[Named, ...]
    weight: tuple[int, int]
    sets: Mapping[str, str]

    def fits(self, path: Sequence[Named]) -> bool:
        """Whether the last element of `path` (from the root down) is meant."""
        if not _one(self.parts[-1], path[-1]):
            return False
        wanted = list(self.parts[:-1])
        for element in reversed(path[:-1]):
            if wanted and _one(wanted[-1], element):
                wanted.pop()
        return not wanted


def _one(wanted: Named, element: Named) -> bool:
    return wanted.tag in ("", element.tag) and wanted.classes <= element.classes


@cache
def rules() -> tuple[Rule, ...]:
    """All rules of the sheets that pictures are drawn with, lightest first."""
    found: list[Rule] = []
    for sheet in SHEETS:
        path = templates_folder() / "css" / sheet
        found += parse(path.read_text(encoding="utf-8")) if path.is_file() else []
    return tuple(sorted(found, key=lambda r: r.weight))


def parse(text: str) -> list[Rule]:
    """The rules of one sheet that hold on paper, in its order."""
    found = []
    for selectors, body in _RULE.findall(_AT_BLOCK.sub("", _COMMENT.sub("", text))):
        sets = _declarations(body)
        found += [rule for s in selectors.split(",") if (rule := _rule(s.split(), sets)) is not None]
    return found


def _declarations(body: str) -> dict[str, str]:
    pairs = (line.split(":", 1) for line in body.split(";") if ":" in line)
    return {name.strip(): value.strip() for name, value in pairs if "var(" not in value and "calc(" not in value}


def _rule(parts: list[str], sets: dict[str, str]) -> Rule | None:
    named = []
    for part in parts:
        found = _COMPOUND.match(part)
        if found is None:
            return None
        named.append(Named(found[1] or "", frozenset(found[2].split(".")[1:])))
    if not named:
        return None
    weight = (sum(len(n.classes) for n in named), sum(1 for n in named if n.tag))
    return Rule(tuple(named), weight, sets)


@dataclass(frozen=True, eq=False)
class Styled:
    """An element by the types and classes on the way to it, and what the sheets say of it, by property."""

    path: tuple[Named, ...]
    style: Mapping[str, str]


NOWHERE = Styled((), {})


@lru_cache(maxsize=4096)
def within(above: Styled, tag: str, classes: str) -> Styled:
    """An element inside another. Many elements of a picture share their path."""
    path = (*above.path, Named(tag, frozenset(classes.split())))
    style: dict[str, str] = {}
    for rule in rules():
        if rule.fits(path):
            style.update(rule.sets)
    return Styled(path, style)
