"""``inspection.toml`` to `Plan`: every problem is told with its zone, its key, its value and the way out."""

import tomllib
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from tapscan.errors import TapscanError, nearest
from tapscan.plan.known import Known, SetupLimits
from tapscan.plan.points import Block, Point, parse_block
from tapscan.plan.setup_tables import SETUP_HINTS, KnownTable, SetupTable
from tapscan.plan.zones import Laminate, Note, Part, Plan, Zone

__all__ = ["MAX_PLAN_BYTES", "PLAN_NAME", "parse_plan", "read_plan"]

PLAN_NAME = "inspection.toml"
_TOML_REMEDY = "mend that line: numbers as 120.5, without a unit; words in straight quotes"
MAX_PLAN_BYTES = 1_000_000
MAX_POINTS = 4_000_000


def _at_least(least: float) -> AfterValidator:
    """Refuse what is far below any part: a length in metres."""

    def check(value: float) -> float:
        if value < least:
            kind, what = "slipped_unit", "is far too small for its unit"
            raise PydanticCustomError(kind, what)
        return value

    return AfterValidator(check)


# Limits are far beyond any bicycle part either way: they catch a slipped unit, not an odd zone.
Length = Annotated[float, Field(gt=0, le=1e5, allow_inf_nan=False), _at_least(0.1)]
Girth = Annotated[float, Field(gt=0, le=1e5, allow_inf_nan=False), _at_least(5.0)]
Count = Annotated[int, Field(ge=1, le=100_000)]
Text = Annotated[str, BeforeValidator(lambda v: str(v) if isinstance(v, (date, datetime, int, float)) else v)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _Part(_Table):
    name: Text = ""
    owner_ref: Text = ""
    serial: Text = ""
    history: Text = ""
    inspector: Text = ""
    date: Text = ""


class _Laminate(_Table):
    thickness_mm: Annotated[float, Field(gt=0, le=500, allow_inf_nan=False), _at_least(0.02)] | None = None
    modulus_gpa: Annotated[float, Field(gt=0, le=2000, allow_inf_nan=False)] | None = None
    poisson: Annotated[float, Field(gt=-1, le=0.5, allow_inf_nan=False)] | None = None
    density_kg_m3: Annotated[float, Field(gt=0, le=30_000, allow_inf_nan=False)] | None = None
    velocity_m_s: Annotated[float, Field(gt=0, le=20_000, allow_inf_nan=False)] | None = None
    thickness_tolerance: Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)] | None = None


class _Zone(_Laminate):
    code: Annotated[str, Field(pattern=r"^[A-Z0-9]{1,8}$")]
    name: Text = ""
    shape: Literal["tube", "panel"]
    stations: Count
    positions: Count
    station_pitch_mm: Length
    girth_mm: Girth | None = None
    girth_start_mm: Girth | None = None
    girth_end_mm: Girth | None = None
    position_pitch_mm: Length | None = None
    reference: list[str] = Field(default_factory=list)
    skip: list[str] = Field(default_factory=list)
    bonded: list[str] = Field(default_factory=list)
    mirror_of: str | None = None
    notes: dict[str, Text] = Field(default_factory=dict)
    known: list[KnownTable] = Field(default_factory=list)


class _Tap(_Table):
    taps_per_point: Annotated[int, Field(ge=1, le=1000)] = 3
    tapper_mass_g: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] | None = None
    tapper_radius_mm: Annotated[float, Field(gt=0, le=100, allow_inf_nan=False), _at_least(0.1)] | None = None


class _Ascan(_Table):
    sample_rate_mhz: Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)] | None = None
    centre_frequency_mhz: Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)] | None = None
    beam_mm: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False), _at_least(0.05)] | None = None


class _Analysis(_Table):
    # Below 1e-6 or above a half no grid could show whether the rate is met.
    false_call_rate: Annotated[float, Field(ge=1e-6, le=0.5, allow_inf_nan=False)] = 0.01


class _Plan(_Table):
    part: _Part = _Part()
    laminate: _Laminate = _Laminate()
    zone: Annotated[list[_Zone], Field(min_length=1)]
    tap: _Tap = _Tap()
    ascan: _Ascan = _Ascan()
    analysis: _Analysis = _Analysis()
    setup: SetupTable = SetupTable()


_TABLES: dict[str, type[BaseModel]] = {
    "part": _Part,
    "laminate": _Laminate,
    "zone": _Zone,
    "tap": _Tap,
    "ascan": _Ascan,
    "analysis": _Analysis,
    "setup": SetupTable,
}

_HINTS = {
    **SETUP_HINTS,
    "girth_mm": "the circumference measured with a tape",
    "station_pitch_mm": "the distance between stations along the axis",
    "position_pitch_mm": "the distance between positions across the panel",
    "code": "1 to 8 of A-Z 0-9",
    "shape": '"tube" or "panel"',
    "stations": "how many steps along the axis",
    "positions": "how many steps round the girth or across the panel",
    "reference": 'a list of points known to be good, such as ["01-01:06-12"]',
    "skip": 'a list of points to leave out, such as ["20-05"]',
    "bonded": 'a list of points with an insert bonded behind them, such as ["01-01:04-12"]',
    "mirror_of": "the code of the zone on the other side",
    "notes": 'a table [zone.notes] of lines such as 07-05 = "a rattle"',
    "taps_per_point": "how many strikes at every point",
    "tapper_mass_g": "what the tapper weighs, such as 5.0",
    "tapper_radius_mm": "the radius of the tapper's tip, such as 5.0",
    "beam_mm": "the width of the beam at -6 dB, such as 5.0",
    "sample_rate_mhz": "the sampling rate of the .npy volumes, such as 100.0",
    "centre_frequency_mhz": "the probe's centre frequency, such as 5.0",
    "false_call_rate": "the wanted fraction of good points called suspect, such as 0.01",
    "thickness_mm": "the thickness of the wall",
    "thickness_tolerance": "the share by which the wall may be thinner, such as 0.1",
    "modulus_gpa": "the bending modulus in the plane, such as 60.0",
    "poisson": "a ratio such as 0.3",
    "density_kg_m3": "the density of the laminate, such as 1550.0",
    "velocity_m_s": "the speed of sound through the thickness, such as 2950.0",
}


def read_plan(folder: Path) -> Plan:
    """Read and check the plan of the inspection in `folder`.

    Raises
    ------
    TapscanError
        When there is no plan, or it cannot be read, or something in it is wrong.
    """
    path = folder / PLAN_NAME
    if not folder.is_dir():
        close = nearest(folder.name, (path.parent.name for path in folder.parent.glob(f"*/{PLAN_NAME}")))
        remedy = (
            f"did you mean {folder.with_name(close)}?" if close else f"name the folder that holds {PLAN_NAME}"
        )
        raise TapscanError(str(folder), "is not a folder", remedy)
    if not path.is_file():
        raise TapscanError(
            str(folder), f"holds no {PLAN_NAME}", "start one with: tapscan new DIR, or name another folder"
        )
    if not path.resolve().is_relative_to(folder.resolve()):
        raise TapscanError(PLAN_NAME, "is a link out of the inspection", "copy the plan itself there")
    if path.stat().st_size > MAX_PLAN_BYTES:
        raise TapscanError(PLAN_NAME, "is over 1 MB, too large for a plan", "check that it is the right file")
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (UnicodeDecodeError, OSError) as error:
        reason = "is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else f"cannot be read: {error}"
        raise TapscanError(PLAN_NAME, reason, "save it again as plain text in UTF-8") from None
    return parse_plan(text)


def parse_plan(text: str) -> Plan:
    """Check the text of a plan and return it as a `Plan`.

    Raises
    ------
    TapscanError
        On the first problem; where there are more, the message counts them.

    Examples
    --------
    >>> plan = parse_plan('''
    ... [[zone]]
    ... code = "BM"
    ... shape = "tube"
    ... stations = 40
    ... positions = 12
    ... station_pitch_mm = 10.0
    ... girth_mm = 120.0
    ... ''')
    >>> plan.zones[0].grid_shape
    (40, 12)
    """
    try:
        document = tomllib.loads(text)
    except RecursionError:
        raise TapscanError(
            PLAN_NAME, "is nested far too deep for a plan", "check that it is the right file"
        ) from None
    except ValueError as error:  # TOMLDecodeError, and numbers of thousands of digits
        raise TapscanError(
            PLAN_NAME, f"is not valid TOML: {str(error).split(';')[0]}", _TOML_REMEDY
        ) from None
    try:
        tables = _Plan.model_validate(document)
    except ValidationError as error:
        raise _explain(error, document) from None
    zones = tuple(_zone(table, tables.laminate) for table in tables.zone)
    _check_together(zones)
    return Plan(
        part=Part(**tables.part.model_dump()),
        zones=zones,
        taps_per_point=tables.tap.taps_per_point,
        sample_rate_mhz=tables.ascan.sample_rate_mhz,
        centre_frequency_mhz=tables.ascan.centre_frequency_mhz,
        tapper_mass_g=tables.tap.tapper_mass_g,
        tapper_radius_mm=tables.tap.tapper_radius_mm,
        beam_mm=tables.ascan.beam_mm,
        false_call_rate=tables.analysis.false_call_rate,
        setup=SetupLimits(**tables.setup.model_dump()),
        has_tap_table="tap" in document,
        has_ascan_table="ascan" in document,
    )


def _zone(table: _Zone, defaults: _Laminate) -> Zone:
    where = f'{PLAN_NAME}: zone "{table.code}"'
    start_mm, end_mm = _girths(table, where)
    if table.stations * table.positions > MAX_POINTS:
        raise TapscanError(
            where,
            f"stations × positions = {table.stations * table.positions:,} points, more than {MAX_POINTS:,}",
            "split it into several zones",
        )
    laminate = {
        **defaults.model_dump(),
        **table.model_dump(include=set(_Laminate.model_fields), exclude_none=True),
    }
    return Zone(
        code=table.code,
        name=table.name,
        shape=table.shape,
        stations=table.stations,
        positions=table.positions,
        station_pitch_mm=table.station_pitch_mm,
        girth_start_mm=start_mm,
        girth_end_mm=end_mm,
        position_pitch_mm=table.position_pitch_mm,
        laminate=Laminate(**laminate),
        reference=_blocks(table, "reference", where),
        skip=_blocks(table, "skip", where),
        bonded=_blocks(table, "bonded", where),
        mirror_of=table.mirror_of,
        notes=_notes(table, where),
        known=tuple(_known(table, known, where) for known in table.known),
    )


def _known(table: _Zone, known: KnownTable, where: str) -> Known:
    if known.state == "sound" and (known.depth_mm or known.size_mm):
        what = "known: depth_mm and size_mm are of a delamination, and these points are sound"
        raise TapscanError(where, what, 'delete them, or set state = "delaminated"')
    points = _blocks(table, "points", where, known.points)
    return Known(points, **known.model_dump(exclude={"points"}))


def _girths(table: _Zone, where: str) -> tuple[float | None, float | None]:
    """Check that the lengths given fit the shape, and return the girth at both edges (None on a panel)."""
    girth_keys = ("girth_mm", "girth_start_mm", "girth_end_mm")
    given = [key for key in girth_keys if getattr(table, key) is not None]
    if table.shape == "panel":
        if given:
            raise TapscanError(
                where, f'{given[0]} does not belong to shape "panel"', 'delete it, or set shape = "tube"'
            )
        if table.position_pitch_mm is None:
            raise _missing(where, "position_pitch_mm", "panel")
        return None, None
    if table.position_pitch_mm is not None:
        remedy = "delete it: on a tube the positions share the girth evenly"
        raise TapscanError(where, 'position_pitch_mm does not belong to shape "tube"', remedy)
    if given == ["girth_mm"]:
        return table.girth_mm, table.girth_mm
    if given == ["girth_start_mm", "girth_end_mm"]:
        return table.girth_start_mm, table.girth_end_mm
    if not given:
        raise _missing(where, "girth_mm", "tube")
    raise TapscanError(
        where,
        f"{' and '.join(given)} given",
        "give girth_mm alone, or girth_start_mm and girth_end_mm on a tapered tube",
    )


def _missing(where: str, key: str, shape: str) -> TapscanError:
    return TapscanError(where, f'{key} is missing for shape "{shape}"', f"add {key} = …, {_HINTS[key]}")


def _notes(table: _Zone, where: str) -> tuple[Note, ...]:
    """Read the notes at points, in walking order; one that says nothing is none."""
    notes: dict[Point, str] = {}
    for name, text in table.notes.items():
        block = _block(table, name)
        if block is None or ":" in name:
            remedy = 'write lines such as 07-05 = "a rattle"; other keys of the zone stand above [zone.notes]'
            raise TapscanError(where, f"notes: {name!r} is not a point", remedy)
        _check_inside(table, block, f"{where}: notes {name!r}")
        point = Point(table.code, block.first_station, block.first_position)
        if point in notes:
            raise TapscanError(where, f"has two notes at {point}", "put both into one")
        notes[point] = text.strip()
    return tuple(Note(point, notes[point]) for point in sorted(notes) if notes[point])


def _block(table: _Zone, text: str) -> Block | None:
    """Read a point or a block, written with its zone or without; None when `text` is neither."""
    # Zone 01 makes 01-01 begin like one with its zone.
    corners = [corner.removeprefix(f"{table.code}-") for corner in text.split(":")]
    return parse_block(text) or parse_block(":".join(corners))


def _blocks(table: _Zone, key: str, where: str, texts: list[str] | None = None) -> tuple[Block, ...]:
    blocks = []
    for text in getattr(table, key) if texts is None else texts:
        block = _block(table, text)
        if block is None:
            raise TapscanError(
                where,
                f"{key} {text!r} is not a block of points",
                'write "07-05", or corner to corner "01-01:06-12"',
            )
        _check_inside(table, block, f"{where}: {key} {text!r}")
        blocks.append(block)
    return tuple(blocks)


def _check_inside(table: _Zone, block: Block, where: str) -> None:
    for what, count, numbers in (
        ("station", table.stations, (block.first_station, block.last_station)),
        ("position", table.positions, (block.first_position, block.last_position)),
    ):
        outside = [n for n in numbers if not 1 <= n <= count]
        if outside:
            raise TapscanError(
                where, f"{what} {outside[0]} is outside the zone", f"{what}s run from 1 to {count}"
            )
    if block.first_station > block.last_station:
        first, last = block.last_station, block.first_station
        remedy = (
            f'write the lower station first, "{first:02d}-…:{last:02d}-…", and check the positions with it'
        )
        raise TapscanError(
            where, "ends before it begins, so that its positions could mean two things", remedy
        )
    if table.shape == "panel" and block.first_position > block.last_position:
        raise TapscanError(
            where, "crosses a seam, which a panel does not have", "write the lower position first"
        )


def _check_together(zones: tuple[Zone, ...]) -> None:
    """Check what only shows when the zones are seen side by side."""
    seen: dict[str, Zone] = {}
    for zone in zones:
        if zone.code in seen:
            where = f'{PLAN_NAME}: zone "{zone.code}"'
            raise TapscanError(where, "code is used twice", "give each zone its own code")
        seen[zone.code] = zone
    for zone in zones:
        where = f'{PLAN_NAME}: zone "{zone.code}": mirror_of'
        if zone.mirror_of is None:
            continue
        twin = seen.get(zone.mirror_of)
        if twin is None:
            others = [code for code in seen if code != zone.code]
            known = nearest(zone.mirror_of, others) or ", ".join(others)
            raise TapscanError(
                where,
                f'"{zone.mirror_of}" is not a zone of this plan',
                f"did you mean {known}?" if others else "the plan has no other zone",
            )
        if twin is zone:
            raise TapscanError(where, "names the zone itself", "name the zone on the other side")
        if (twin.shape, twin.grid_shape) != (zone.shape, zone.grid_shape):
            raise TapscanError(
                where,
                f'"{twin.code}" has another shape or grid',
                "mirror zones need the same stations and positions",
            )


def _explain(error: ValidationError, document: dict[str, Any]) -> TapscanError:
    """Turn the validation library's first complaint into our sentence, and count the rest."""
    problems = error.errors(include_url=False)
    # An unknown key explains a missing one ("girht_mm"), so it is told first.
    problems.sort(key=lambda p: p["type"] != "extra_forbidden")
    first = problems[0]
    path = [step for step in first["loc"] if step not in ("float", "int")]
    # A number in the path counts the entries of a list; the key is what the list is called.
    key = str(next((step for step in reversed(path) if isinstance(step, str)), ""))
    what, remedy = _complaint(first["type"], key, path) or _unfit_value(first, key)
    if len(problems) > 1:
        remedy += f"; {len(problems) - 1} more to mend after this one"
    return TapscanError(_place(path, document), what, remedy)


def _complaint(kind: str, key: str, path: list[Any]) -> tuple[str, str] | None:
    """Say what is wrong with a key that is unknown, missing or no table; None when the value is."""
    if kind == "extra_forbidden":
        fields = (KnownTable if "known" in path[:-1] else _TABLES.get(str(path[0]), _Plan)).model_fields
        tables = _TABLES if len(path) == 1 else fields
        close = nearest(key, tables)
        return (
            f"unknown key {key!r}",
            f"did you mean {close}?" if close else f"known here: {', '.join(tables)}",
        )
    if key == "zone" and kind in {"missing", "too_short"}:
        return "holds no zone", "add a [[zone]] table"
    if kind == "missing":
        return f"{key} is missing", f"add {key} = …, {_HINTS.get(key, 'see tapscan new')}"
    if key == "zone":
        return "zone is not a list of tables", "begin each zone with [[zone]], in two brackets"
    if kind == "model_type":
        return f"{key} is not a table", f"put [{key}] on a line of its own, and its keys below"
    return None


def _unfit_value(problem: Any, key: str) -> tuple[str, str]:
    value = problem["input"]
    shown = repr(value) if isinstance(value, (str, int, float, bool)) else f"a {type(value).__name__}"
    what, remedy = (
        f"{key} = {shown} is not accepted",
        f"give {_HINTS[key]}" if key in _HINTS else "mend the value",
    )
    if problem["type"] == "slipped_unit":
        remedy = f"write it in mm: {value:g} m are {1000 * value:g} mm"
        return f"{key} = {shown} is far too small for millimetres", remedy
    if problem["type"] == "string_pattern_mismatch":
        return what, remedy
    return f"{what}: {problem['msg'][0].lower()}{problem['msg'][1:]}", remedy


def _place(path: list[Any], document: dict[str, Any]) -> str:
    """Name the table that a complaint is about, a zone by its code."""
    if len(path) < 2:  # a path of one is a key at the top of the file
        return PLAN_NAME
    if path[0] == "zone" and isinstance(path[1], int):
        table = document["zone"][path[1]]
        code = table.get("code") if isinstance(table, dict) else None
        name = f'zone "{code}"' if isinstance(code, str) else f"zone number {path[1] + 1}"
        return f"{PLAN_NAME}: {name}"
    return f"{PLAN_NAME}: [{path[0]}]"
