"""File names for fields: made from what people call them, harmless whatever they call them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

LONGEST = 40
SPELT_OUT = str.maketrans(
    {
        "ä": "ae",
        "ö": "oe",
        "ü": "ue",
        "ß": "ss",
        "æ": "ae",
        "œ": "oe",
        "ø": "oe",
        "å": "aa",
        "đ": "d",
        "ł": "l",
        "þ": "th",
    }
)
RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}


def plain(text: str) -> str:
    """Lower-case letters, digits and single hyphens, at most 40; empty when nothing of `text` can be spelt."""
    spelt = unicodedata.normalize("NFC", text).lower().translate(SPELT_OUT)
    words = re.sub(r"[\W_]+", "-", spelt)
    letters = unicodedata.normalize("NFKD", words).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", letters).strip("-")[:LONGEST].rstrip("-")


def give(names_and_ids: Iterable[tuple[str, str]]) -> list[str]:
    """One slug per (name, id) pair, all different also where case does not count.

    Where two would be the same, the later one gets a number; the order decides, nothing else, so the same file
    gives the same slugs.
    """
    taken: set[str] = set()
    slugs = []
    for name, identity in names_and_ids:
        slug = _free(plain(name) or plain(identity) or "field", taken)
        taken.add(slug)
        slugs.append(slug)
    return slugs


def _free(wish: str, taken: set[str]) -> str:
    if wish in RESERVED:
        wish = f"{wish}-field"
    slug, n = wish, 1
    while slug in taken:
        n += 1
        ending = f"-{n}"
        slug = wish[: LONGEST - len(ending)].rstrip("-") + ending
    return slug
