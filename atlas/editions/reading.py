"""Reads an atlas folder that someone handed over: no path in it, and no link, leads out of it."""

from __future__ import annotations

import contextlib
import json
import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO

from atlas.editions.publishing import FORMAT, is_atlas
from atlas.errors import OutputError

_PART = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]*")
_LANGUAGE = re.compile(r"[a-z]{2,3}(?:-[A-Za-z0-9]{2,8})*")
_PAGE = re.compile(r"fields/[a-z0-9](?:[a-z0-9-]{0,78}[a-z0-9])?\.html")


@dataclass(frozen=True)
class SharedField:
    """What an atlas's data file says of a field, as far as handing it on needs it."""

    field_id: str
    name: str
    page: str  # "fields/<slug>.html"


@dataclass(frozen=True)
class AtlasFacts:
    """Which atlas a folder holds."""

    farm: str
    number: int
    issued_at: datetime
    fields: tuple[SharedField, ...]
    languages: tuple[str, ...]  # the first at the usual addresses; none where the atlas does not say

    @property
    def suffixes(self) -> tuple[str, ...]:
        """What a page's name carries before ".html", one for each language."""
        return ("", *(f".{code}" for code in self.languages[1:]))


class AtlasFolder:
    """An open atlas folder. It stays the same one even if a build exchanges it meanwhile; close it after use."""

    def __init__(self, path: Path) -> None:
        """Raises OutputError where the folder holds no atlas of ours."""
        self.path = path
        if not is_atlas(path):
            raise OutputError(f"{path}: holds no atlas; name the folder that field-atlas build wrote.")
        try:
            self._root = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        except OSError as e:
            raise OutputError(f"{path}: cannot be read ({e.strerror}).") from e

    def close(self) -> None:
        os.close(self._root)

    def read(self, relative: str) -> bytes:
        """One file's content. Raises OutputError for a path or link that leaves the folder, and for no file."""
        with self.open(relative) as f:
            return f.read()

    @contextlib.contextmanager
    def open(self, relative: str) -> Iterator[BinaryIO]:
        """One file, to read. Raises OutputError as `read` does."""
        parts = relative.split("/")
        if not all(_PART.fullmatch(part) for part in parts):
            raise OutputError(f"{self.path}: names a file '{relative}' that no atlas has; build it anew.")
        with contextlib.ExitStack() as opened:
            try:
                folder = self._root
                for part in parts[:-1]:
                    folder = os.open(part, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=folder)
                    opened.callback(os.close, folder)
                handle = os.open(parts[-1], os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=folder)
                f = opened.enter_context(os.fdopen(handle, "rb"))
            except OSError as e:
                raise OutputError(
                    f"{self.path / relative}: cannot be read, or is a link ({e.strerror}); build the atlas anew."
                ) from e
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise OutputError(f"{self.path / relative}: is no file of an atlas; build it anew.")
            yield f

    def names(self) -> Iterator[str]:
        """Every file of the atlas by its path, sorted; dot-files and what is only for the next build left out.

        Raises OutputError for a link or anything else that is neither file nor folder.
        """
        yield from self._below("")

    def _below(self, prefix: str) -> Iterator[str]:
        folder = os.open(prefix or ".", os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=self._root)
        try:
            with os.scandir(folder) as found:
                entries = sorted(found, key=lambda entry: entry.name)
            for entry in entries:
                name = f"{prefix}{entry.name}"
                if entry.name.startswith(".") or name == "data/state":
                    continue
                if entry.is_dir(follow_symlinks=False):
                    yield from self._below(name + "/")
                elif entry.is_file(follow_symlinks=False):
                    yield name
                else:
                    raise OutputError(f"{self.path / name}: is a link; an atlas has none. Build it anew.")
        finally:
            os.close(folder)

    def facts(self) -> AtlasFacts:
        """Map number and fields, from the data file. Raises OutputError where it says what no atlas says."""
        try:
            raw = json.loads(self.read("data/atlas.json"))
            edition = raw["edition"]
            fields = tuple(_field(f) for f in raw["fields"])
            issued = datetime.fromisoformat(edition["issued_at"])
            number, farm = int(edition["number"]), str(raw["farm"]["name"])
            languages = tuple(str(code) for code in raw.get("languages", ()))
        except (ValueError, KeyError, TypeError, RecursionError) as e:
            raise OutputError(f"{self.path / 'data/atlas.json'}: is damaged; build the atlas anew.") from e
        if raw["format"] != FORMAT or number < 1:
            raise OutputError(f"{self.path / 'data/atlas.json'}: is of another format; build the atlas anew.")
        for field in fields:
            if not _PAGE.fullmatch(field.page):
                raise OutputError(
                    f"{self.path / 'data/atlas.json'}: names '{field.page}' as a page, which no atlas has; "
                    "build the atlas anew."
                )
        for code in languages:
            if not _LANGUAGE.fullmatch(code):
                raise OutputError(
                    f"{self.path / 'data/atlas.json'}: names '{code}' as a language, which no atlas has; "
                    "build the atlas anew."
                )
        return AtlasFacts(farm, number, issued, fields, languages)


def _field(raw: dict[str, Any]) -> SharedField:
    return SharedField(str(raw["field_id"]), str(raw["name"]), str(raw["page"]))
