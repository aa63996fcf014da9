"""What the user can set, checked before anything is read: every key has a default, an unknown one is refused.

`load(path)` reads `atlas.toml`; cross-checks that need the sums (a handbook limit above the overturning
gradient) live with the sums in `atlas.driving`.
"""

from __future__ import annotations

import difflib
import itertools
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, field_validator
from pydantic_core import PydanticCustomError

from atlas.errors import SettingsError
from atlas.languages import known

OWN_SENTENCES = ("unknown_column", "empty_column", "unknown_language", "languages_twice", "unknown_zone")
# Many keyboards and languages write 1,9 where TOML wants 1.9.
_DECIMAL_COMMA = re.compile(r"^[^#\n]*=[ \t]*-?\d+,\d", re.MULTILINE)
# Text without quotes, or in the quotes of a word processor.
_BARE_TEXT = re.compile(r"^[^#\n=]*=[ \t]*(?:(?!(?:true|false|inf|nan)\b)[^\W\d_]|[“”„‘’«»])", re.MULTILINE)
Share = Annotated[float, Field(gt=0, le=1)]
Percent = Annotated[float, Field(gt=0, le=1000)]


class Table(BaseModel):
    """A settings table: frozen, no key that is not declared, no infinities."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=False)


def _known_languages(value: tuple[str, ...]) -> tuple[str, ...]:
    there = ", ".join(f"'{code}'" for code in known())
    for code in value:
        if code not in known():
            raise PydanticCustomError(
                "unknown_language",
                "'farm.languages' names '{code}', which there is no catalogue for; there are {there}.",
                {"code": code, "there": there},
            )
    if not value or len(set(value)) < len(value):
        raise PydanticCustomError(
            "languages_twice",
            "'farm.languages' is to name each language once; there are {there}.",
            {"there": there},
        )
    return value


def _known_zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (ValueError, OSError, ZoneInfoNotFoundError):
        raise PydanticCustomError(
            "unknown_zone",
            "'farm.time_zone' names '{zone}', which is no time zone; write one like 'Europe/Vienna' or 'UTC'.",
            {"zone": value},
        ) from None
    return value


# The languages of an atlas, the first at the usual addresses.
Languages = Annotated[tuple[str, ...], AfterValidator(_known_languages)]
TimeZone = Annotated[str, AfterValidator(_known_zone)]


class FarmTable(Table):
    """[farm] Who the atlas is for and whom to ring."""

    name: str = ""
    lead_name: str = ""
    lead_phone: str = ""
    emergency_number: str = "112"
    languages: Languages = ("en",)
    time_zone: TimeZone = "UTC"  # of the clock on the farm's wall: pages and paper tell times by it


class LayersTable(Table):
    """[layers] What the farm file calls its layers."""

    parcels: str | None = None
    hazards: tuple[str, ...] | None = None
    ways_in: str | None = None
    storms: str | None = None
    releases: str | None = None
    dem: str | tuple[str, ...] | None = None
    backdrop: str | None = None

    @field_validator("hazards", mode="before")
    @classmethod
    def _one_is_a_list(cls, value: object) -> object:
        return (value,) if isinstance(value, str) else value


COLUMNS = (
    "field_id", "name", "use", "note", "first_pass", "farm",
    "hazard_id", "kind", "severity", "reach_m", "accuracy_m", "depth_m", "photo",
    "seen_at", "seen_by", "retired_at", "retired_by",
    "way_in_id", "width_m", "max_load_t", "ambulance",
    "storm_id", "passed_at", "ground", "released_by", "released_at", "until",
)  # fmt: skip


def _known_columns(value: dict[str, str]) -> dict[str, str]:
    for ours, theirs in value.items():
        if ours not in COLUMNS:
            near = difflib.get_close_matches(ours, COLUMNS, n=1, cutoff=0.0)[0]
            raise PydanticCustomError(
                "unknown_column",
                "unknown key 'columns.{ours}'; the nearest known one is '{near}'.",
                {"ours": ours, "near": near},
            )
        if not theirs.strip():
            raise PydanticCustomError(
                "empty_column",
                "'columns.{ours}' is empty; write the column's name or leave it out.",
                {"ours": ours},
            )
    return value


# [columns] ours = theirs, for whichever layers have a column of their name.
Columns = Annotated[dict[str, str], AfterValidator(_known_columns)]


UNITS_TO_SAY = ("m", "dm", "cm", "ft", "us-ft")


class TerrainTable(Table):
    """[terrain] How heights are read and classed."""

    dem_sigma_m: Annotated[float, Field(ge=0, le=5)] = 0.03
    zones_up_to_cell_m: Annotated[float, Field(gt=0, le=50)] = 2.0
    breaks_pct: Annotated[tuple[Percent, ...], Field(min_length=1, max_length=8)] = (18.0, 35.0, 50.0)
    min_patch_m2: Annotated[float, Field(ge=0, le=1_000_000)] = 100.0
    source: str = ""
    date: str = ""
    height_unit: Literal["", "m", "dm", "cm", "ft", "us-ft"] = ""

    @field_validator("breaks_pct")
    @classmethod
    def _rising(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if any(b <= a for a, b in itertools.pairwise(value)):
            raise ValueError("must rise from left to right")
        return value


class MachineTable(Table):
    """[machines.KEY] One set-up of one machine, lengths in metres, limits in percent."""

    name: str
    track_m: Annotated[float, Field(ge=0.4, le=4)]
    wheelbase_m: Annotated[float, Field(ge=0.3, le=8)]
    cog_height_m: Annotated[float, Field(ge=0.2, le=4)]
    cog_ahead_m: Annotated[float, Field(gt=0, le=8)]
    front_axle: Literal["pivots", "fixed"] = "pivots"
    pivot_height_m: Annotated[float, Field(ge=0, le=2)] = 0.0
    width_m: Annotated[float, Field(ge=0.4, le=12)]
    mass_kg: Annotated[float, Field(gt=0, le=60_000)]
    towed_kg: Annotated[float, Field(ge=0, le=60_000)] = 0.0
    driven: Literal["all", "rear", "front"] = "all"
    braked: Literal["all", "rear", "front"] = "all"
    side_limit_pct: Annotated[float, Field(gt=0, le=200)] | None = None
    climb_limit_pct: Annotated[float, Field(gt=0, le=200)] | None = None
    turn_radius_m: Annotated[float, Field(ge=0, le=30)]
    walked: bool = False


class GroundTable(Table):
    """[grounds.KEY] Grip (a friction number) and how far downhill wheels sink."""

    grip: Annotated[float, Field(gt=0, le=1.2)]
    sink_m: Annotated[float, Field(ge=0, le=1)] = 0.0


class DriverTable(Table):
    """[drivers.KEY] The share of every limit this driver may use."""

    share: Share


class OnFootTable(Table):
    """[on_foot] Where hand work ends, and how fast it goes."""

    limit_pct: Annotated[float, Field(gt=0, le=300)] = 80.0
    slippery_limit_pct: Annotated[float, Field(gt=0, le=300)] = 50.0
    strip_m: Annotated[float, Field(ge=0, le=100)] = 3.0
    m2_per_hour: Annotated[float, Field(gt=0, le=100_000)] = 400.0


class DropsTable(Table):
    """[drops] How far below to look, and what fall counts."""

    within_m: Annotated[float, Field(ge=0, le=200)] = 20.0
    fall_m: Annotated[float, Field(gt=0, le=100)] = 1.0


class WatchTable(Table):
    """[watch] How far ahead along the way of travel a sheet warns of closed ground."""

    near_m: Annotated[float, Field(ge=2, le=200)] = 15.0


class ShownTable(Table):
    """[shown] What paper and a page without scripts show: the farm's default set."""

    machine: str | None = None
    ground: str | None = None
    driver: str = "new"


class PrintTable(Table):
    """[print] The overview's sheet, and whether the atlas is also made as a PDF."""

    pdf: bool = True
    paper: Literal["A4", "A3"] = "A4"
    turned: Literal["upright", "sideways"] = "sideways"


class Settings(Table):
    """Everything a farm can set; a farm file alone builds with the defaults."""

    farm: FarmTable = FarmTable()
    layers: LayersTable = LayersTable()
    columns: Columns = {}
    terrain: TerrainTable = TerrainTable()
    machines: dict[str, MachineTable] = {}
    grounds: dict[str, GroundTable] = {}
    drivers: dict[str, DriverTable] = {}
    on_foot: OnFootTable = OnFootTable()
    drops: DropsTable = DropsTable()
    watch: WatchTable = WatchTable()
    shown: ShownTable = ShownTable()
    print: PrintTable = PrintTable()


def load(path: Path) -> Settings:
    """Read a settings file. Raises SettingsError with one sentence naming the key and what to do."""
    try:
        text = path.read_bytes().decode("utf-8-sig")  # Windows' own editor may write a mark before the text
        raw = tomllib.loads(text)
    except OSError as e:
        raise SettingsError(f"{path}: cannot be read ({e.strerror or e}).") from e
    except UnicodeDecodeError as e:
        raise SettingsError(f"{path}: is not UTF-8 text; save it as UTF-8.") from e
    except (ValueError, RecursionError) as e:  # ValueError: also a number of thousands of digits
        hint = "; write numbers with a point, as in 1.9" if _DECIMAL_COMMA.search(text) else ""
        hint += '; write text in straight quotes, as in "Our farm"' if _BARE_TEXT.search(text) else ""
        raise SettingsError(f"{path}: is not valid TOML ({e}){hint}.") from e
    return parse(raw, str(path))


def settings_for(farm_path: Path, settings_path: Path | None) -> Settings:
    """Settings named, or atlas.toml beside the farm file, or the defaults. Raises SettingsError."""
    beside = farm_path.parent / "atlas.toml"
    if settings_path is not None:
        return load(settings_path)
    return load(beside) if beside.is_file() else Settings()


def parse(raw: dict[str, Any], where: str = "settings") -> Settings:
    """Check a parsed settings table. Raises SettingsError naming the first wrong key."""
    try:
        return Settings.model_validate(raw)
    except ValidationError as e:
        raise SettingsError(f"{where}: {_sentence(e.errors()[0])}") from e


def _sentence(error: Any) -> str:
    keys = [str(part) for part in error["loc"] if not isinstance(part, int)]
    dotted = ".".join(keys)
    if error["type"] == "extra_forbidden":
        near = difflib.get_close_matches(keys[-1], _known(keys[:-1]), n=1, cutoff=0.0)
        hint = f"; the nearest known one is '{near[0]}'" if near else ""
        return f"unknown key '{dotted}'{hint}."
    if error["type"] in OWN_SENTENCES:
        return str(error["msg"])
    if error["type"] == "missing":
        return f"'{dotted}' is missing; add it."
    if error["type"] == "tuple_type":
        return f"'{dotted}' is {error['input']!r}; write it as a list, in square brackets."
    if error["type"] in ("float_parsing", "float_type"):
        return f"'{dotted}' is {error['input']!r}, which is no number; write it without quotes and with a point."
    if error["type"] in ("model_type", "dict_type"):
        heading = f"[{keys[0]}.KEY]" if len(keys) > 1 else f"[{dotted}]"
        return f"'{dotted}' is {error['input']!r}, where a table belongs; write {heading} above its keys."
    if error["type"] == "value_error":
        return f"'{dotted}' is {error['input']!r}: it {error['ctx']['error']}."
    return f"'{dotted}' is {error['input']!r}: {error['msg'][0].lower()}{error['msg'][1:]}."


def _known(path: list[str]) -> list[str]:
    """Keys of the table at `path`; the key of a named table ([machines.KEY]) is passed over."""
    model: type[BaseModel] = Settings
    for part in path:
        if part not in model.model_fields:
            continue
        note = model.model_fields[part].annotation
        for inner in (note, *get_args(note)):
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                model = inner
    return list(model.model_fields)
