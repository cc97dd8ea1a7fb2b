"""``inspection.toml`` to `Plan`: all mistakes at once, each with its zone, its key, its value and the fix."""

import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from tapscan.errors import TapscanError, nearest
from tapscan.plan.known import Known, SetupLimits
from tapscan.plan.photos.layout import PhotoLayout
from tapscan.plan.photos.reading import PHOTO_KEYS, grid_keys, layout_of, unnamed_blocks
from tapscan.plan.points import Block, Point, parse_block
from tapscan.plan.text.mistakes import PLAN_NAME, PlanMistakeError, all_of, explained
from tapscan.plan.text.tables import HINTS, LaminateTable, PlanTable, ZoneTable
from tapscan.plan.zones import Laminate, Note, Part, Plan, Units, Zone

__all__ = ["MAX_PLAN_BYTES", "PLAN_NAME", "parse_plan", "read_plan"]

_TOML_REMEDY = "correct that line: numbers as 120.5, without a unit; words in straight quotes"
MAX_PLAN_BYTES = 1_000_000
MAX_POINTS = 4_000_000


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
    return parse_plan(text, folder)


def parse_plan(text: str, folder: Path | None = None) -> Plan:
    """Check the text of a plan and return it as a `Plan`; in its `folder` photos are checked, too.

    Raises
    ------
    TapscanError
        With every mistake as an entry of its own in `mistakes`; its text is the first one and their number.

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
    mistakes: list[TapscanError] = []
    layouts = _photo_zones(document, folder, mistakes)
    tables = None
    try:
        tables = PlanTable.model_validate(document)
        valid = dict(enumerate(tables.zone))
    except ValidationError as error:
        mistakes += explained(error.errors(include_url=False), document)
        valid = _valid_zones(document)
    defaults = LaminateTable() if tables is None else tables.laminate
    readers = [_ZoneReader(table, index, mistakes, layouts.get(index)) for index, table in valid.items()]
    units: Units = "mm" if tables is None else tables.units
    zones = tuple(reader.zone(defaults, units) for reader in readers)
    for count, reader in enumerate(readers):
        reader.check_among([other.table for other in readers], count, _codes(document))
    if mistakes or tables is None:
        raise all_of(mistakes)
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
        has_tap_table="tap" in document,
        has_ascan_table="ascan" in document,
        setup=SetupLimits(**tables.setup.model_dump()),
    )


def _photo_zones(
    document: dict[str, Any], folder: Path | None, mistakes: list[TapscanError]
) -> dict[int, PhotoLayout]:
    """Read the zones on photos, by their number from 0, and give their tables the grid of their names."""
    layouts = {}
    listed = document.get("zone")
    for index, table in enumerate(listed if isinstance(listed, list) else []):
        if not isinstance(table, dict) or table.get("shape") != "photo":
            continue
        where = f'{PLAN_NAME}: zone "{table.get("code", index + 1)}"'

        def add(key: str, what: str, remedy: str, index: int = index, where: str = where) -> None:
            mistakes.append(PlanMistakeError(("zone", index, key), where, what, remedy))

        for key in [key for key in _GRID_KEYS if key in table]:
            add(
                key, f'{key} does not belong to shape "photo"', "delete it: each point has a place of its own"
            )
            del table[key]
        layout = layout_of(table, folder, add)
        for key in PHOTO_KEYS:
            table.pop(key, None)
        if layout is not None:
            layouts[index] = layout
        table.update(_ANY_GRID if layout is None else grid_keys(layout))
    return layouts


_GRID_KEYS = (
    *("stations", "positions", "station_pitch_mm", "position_pitch_mm", "datum_side"),
    *("girth_mm", "girth_start_mm", "girth_end_mm"),
)
# Where the points are not known, other keys of the zone are checked all the same.
_ANY_GRID = {"stations": 1000, "positions": 1000, "station_pitch_mm": 1.0, "position_pitch_mm": 1.0}


def _valid_zones(document: dict[str, Any]) -> dict[int, ZoneTable]:
    """Return the zones that are valid in themselves, by their number from 0: they can be checked further."""
    valid = {}
    listed = document.get("zone")
    for index, table in enumerate(listed if isinstance(listed, list) else []):
        try:
            valid[index] = ZoneTable.model_validate(table)
        except ValidationError:
            continue
    return valid


def _codes(document: dict[str, Any]) -> list[str]:
    listed = document.get("zone")
    tables = listed if isinstance(listed, list) else []
    return [str(table["code"]) for table in tables if isinstance(table, dict) and "code" in table]


class _ZoneReader:
    """Checks one zone's table beyond what its keys allow each for itself; adds to `mistakes`."""

    def __init__(
        self, table: ZoneTable, index: int, mistakes: list[TapscanError], layout: PhotoLayout | None
    ) -> None:
        self.table = table
        self._layout = layout
        self._index = index
        self._mistakes = mistakes

    def _add(self, key: str, what: str, remedy: str, within: str = "") -> None:
        where = f'{PLAN_NAME}: zone "{self.table.code}"{within}'
        self._mistakes.append(PlanMistakeError(("zone", self._index, key), where, what, remedy))

    def zone(self, defaults: LaminateTable, units: Units) -> Zone:
        """Return the zone as far as its table is right."""
        table = self.table
        start_mm, end_mm = self._girths()
        points = table.stations * table.positions
        if points > MAX_POINTS:
            what = f"stations × positions = {points:,} points, more than {MAX_POINTS:,}"
            self._add("stations", what, "split it into several zones")
        laminate = {
            **defaults.model_dump(),
            **table.model_dump(include=set(LaminateTable.model_fields), exclude_none=True),
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
            reference=self._blocks("reference"),
            skip=(*self._blocks("skip"), *unnamed_blocks(self._layout)),
            bonded=self._blocks("bonded"),
            mirror_of=table.mirror_of,
            notes=self._notes(),
            datum_side=table.datum_side,
            units=units,
            known=self._known(),
            layout=self._layout,
            same_points_as=table.same_points_as,
        )

    def _girths(self) -> tuple[float | None, float | None]:
        """Check that the lengths given fit the shape; return the girth at both edges (None on a panel)."""
        table = self.table
        girth_keys = ("girth_mm", "girth_start_mm", "girth_end_mm")
        given = [key for key in girth_keys if getattr(table, key) is not None]
        if table.shape != "tube":
            if given:
                what = f'{given[0]} does not belong to shape "panel"'
                self._add(given[0], what, 'delete it, or set shape = "tube"')
            elif table.position_pitch_mm is None:
                self._missing("position_pitch_mm")
            return None, None
        if table.position_pitch_mm is not None:
            what = 'position_pitch_mm does not belong to shape "tube"'
            self._add("position_pitch_mm", what, "delete it: on a tube the positions share the girth evenly")
        if given == ["girth_mm"]:
            return table.girth_mm, table.girth_mm
        if given == ["girth_start_mm", "girth_end_mm"]:
            return table.girth_start_mm, table.girth_end_mm
        if not given:
            self._missing("girth_mm")
        else:
            remedy = "give girth_mm alone, or girth_start_mm and girth_end_mm on a tapered tube"
            self._add(given[0], f"{' and '.join(given)} given", remedy)
        return None, None

    def _missing(self, key: str) -> None:
        what = f'{key} is missing for shape "{self.table.shape}"'
        self._add(key, what, f"add {key} = …, {HINTS[key]}")

    def _notes(self) -> tuple[Note, ...]:
        """Read the notes at points, in walking order; one that says nothing is none."""
        notes: dict[Point, str] = {}
        for name, text in self.table.notes.items():
            block = _block(self.table, name)
            if block is None or ":" in name:
                remedy = (
                    'write lines such as 07-05 = "a rattle"; other keys of the zone go above [zone.notes]'
                )
                self._add("notes", f"notes: {name!r} is not a point", remedy)
                continue
            if not self._is_inside(block, "notes", name):
                continue
            point = Point(self.table.code, block.first_station, block.first_position)
            if point in notes:
                self._add("notes", f"has two notes at {point}", "put both into one")
            notes[point] = text.strip()
        return tuple(Note(point, notes[point]) for point in sorted(notes) if notes[point])

    def _known(self) -> tuple[Known, ...]:
        known = []
        for one in self.table.known:
            if one.state == "sound" and (one.depth_mm or one.size_mm):
                what = "known: depth_mm and size_mm are of a delamination, and these points are sound"
                self._add("known", what, 'delete them, or set state = "delaminated"')
            known.append(Known(self._blocks("points", one.points), **one.model_dump(exclude={"points"})))
        return tuple(known)

    def _blocks(self, key: str, texts: list[str] | None = None) -> tuple[Block, ...]:
        blocks = []
        for text in getattr(self.table, key) if texts is None else texts:
            block = _block(self.table, text)
            if block is None:
                remedy = 'write "07-05", or corner to corner "01-01:06-12"'
                self._add(key, f"{key} {text!r} is not a block of points", remedy)
            elif self._is_inside(block, key, text):
                blocks.append(block)
        return tuple(blocks)

    def _is_inside(self, block: Block, key: str, text: str) -> bool:
        """Say whether a block is one of the zone's; else add what is wrong with it."""
        fault = _fault(self.table, block)
        if fault is not None:
            self._add(key, *fault, f": {key} {text!r}")
        return fault is None

    def check_among(self, tables: list[ZoneTable], before: int, codes: list[str]) -> None:
        """Check what only shows among all valid zones, of which so many come before this one.

        `codes` are those of all zones, valid or not.
        """
        table = self.table
        if any(other.code == table.code for other in tables[:before]):
            self._add("code", "code is used twice", "give each zone its own code")
        fault = None if table.mirror_of is None else _mirror_fault(table, tables, codes)
        if fault is not None:
            self._add("mirror_of", *fault, ": mirror_of")
        fault = None if table.same_points_as is None else _sharing_fault(table, tables, codes)
        if fault is not None:
            self._add("same_points_as", *fault, ": same_points_as")


def _no_other(table: ZoneTable, wanted: str, codes: list[str], remedy: str) -> tuple[str, str]:
    """Say that a code names no other zone of the plan."""
    if wanted == table.code:
        return "names the zone itself", remedy
    others = [code for code in codes if code != table.code]
    known = nearest(wanted, others) or ", ".join(others)
    remedy = f"did you mean {known}?" if others else "the plan has no other zone"
    return f'"{wanted}" is not a zone of this plan', remedy


def _sharing_fault(table: ZoneTable, tables: list[ZoneTable], codes: list[str]) -> tuple[str, str] | None:
    wanted = str(table.same_points_as)
    if wanted == table.code or wanted not in codes:
        return _no_other(table, wanted, codes, "name the zone whose photo shows the same points")
    other = next((one for one in tables if one.code == wanted), table)
    if table.shape != "photo" or other.shape != "photo":
        return f'"{wanted}" and this zone are not both on photos', 'set shape = "photo", or delete it'
    if other.same_points_as is not None and other is not table:
        return f'"{wanted}" has the points of {other.same_points_as}', f"name {other.same_points_as}"
    return None


def _mirror_fault(table: ZoneTable, tables: list[ZoneTable], codes: list[str]) -> tuple[str, str] | None:
    wanted = str(table.mirror_of)
    if wanted == table.code or wanted not in codes:
        return _no_other(table, wanted, codes, "name the zone on the other side")
    twin = next((other for other in tables if other.code == wanted), table)
    if twin.shape == table.shape == "photo":
        return None  # paired by name
    if (twin.shape, twin.stations, twin.positions) != (table.shape, table.stations, table.positions):
        return f'"{wanted}" has another shape or grid', "mirror zones need the same stations and positions"
    return None


def _block(table: ZoneTable, text: str) -> Block | None:
    """Read a point or a block, written with its zone or without; None when `text` is neither."""
    # Zone 01 makes 01-01 begin like one with its zone.
    corners = [corner.removeprefix(f"{table.code}-") for corner in text.split(":")]
    return parse_block(text) or parse_block(":".join(corners))


def _fault(table: ZoneTable, block: Block) -> tuple[str, str] | None:
    """Say why a block is not one of the zone's, and the fix; None when it is."""
    for what, count, numbers in (
        ("station", table.stations, (block.first_station, block.last_station)),
        ("position", table.positions, (block.first_position, block.last_position)),
    ):
        outside = [n for n in numbers if not 1 <= n <= count]
        if outside:
            return f"{what} {outside[0]} is outside the zone", f"{what}s run from 1 to {count}"
    if block.first_station > block.last_station:
        first, last = block.last_station, block.first_station
        remedy = (
            f'write the lower station first, "{first:02d}-…:{last:02d}-…", and check the positions with it'
        )
        return "ends before it begins, so that its positions could mean two things", remedy
    if table.shape != "tube" and block.first_position > block.last_position:
        return f"crosses a seam, which a {table.shape} does not have", "write the lower position first"
    return None
