"""The files all pages share: our styles and scripts, and the map library from its installed package."""

from __future__ import annotations

import json
from datetime import datetime
from functools import cache
from importlib import resources

from atlas.languages import templates_folder
from atlas.pages.render import stamp


@cache
def asset_files() -> dict[str, bytes]:
    """Path in the atlas → bytes, for everything under assets/ that does not change with the edition."""
    library = resources.files("js_lib_leaflet") / "static" / "js_lib_leaflet"
    files = {
        "assets/leaflet.js": _no_source_map((library / "leaflet.js").read_bytes()),
        "assets/leaflet.css": _no_pictures((library / "leaflet.css").read_bytes()),
    }
    for folder in ("css", "js"):
        for file in sorted((templates_folder() / folder).iterdir()):
            if file.suffix in (".css", ".js"):
                files[f"assets/{file.name}"] = file.read_bytes()
    return files


def edition_script(number: int, issued_at: datetime) -> bytes:
    """assets/edition.js: the current map number, so that a page that did not change stays byte for byte."""
    facts = json.dumps({"number": number, "issued_at": stamp(issued_at)}, sort_keys=True)
    return f"window.FIELD_ATLAS_EDITION = {facts};\n".encode()


def _no_source_map(script: bytes) -> bytes:
    """Without the pointer to a file that is not shipped."""
    return b"\n".join(line for line in script.split(b"\n") if not line.startswith(b"//# sourceMappingURL"))


def _no_pictures(style: bytes) -> bytes:
    """Without the rules that would load the library's own pin and layer pictures: pages use neither."""
    return b"\n".join(line for line in style.split(b"\n") if b"url(" not in line)
