"""One A-scan as text: a header line, a time column with its unit, an amplitude column.

Understood: comma, semicolon, tab or | between columns; decimal point or comma; UTF-8, UTF-16 with its mark,
or Latin-1; comment lines (``#``, ``//``, a leading ``%``), also a header inside a comment, or with the
units in a line below it; blank lines.
Refused in words: a time column without a unit, two columns that could both be meant, text where a number
belongs, and an uneven time base.

A time base is even when every time is within 1 % of a step, or within the rounding of its last printed
digit, of a straight line fitted through all of them, and never further than 0.3 of a step: a sample left out
moves its neighbours by more than that in any trace of eight samples or more, so it is found.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError
from tapscan.records.readers.readings import Trace, file_name
from tapscan.records.tables import csv_rows

__all__ = ["NAME", "parse_trace", "read", "sniff"]

NAME = "CSV trace"
MAX_BYTES = 64_000_000
# The header may come after an instrument's own lines; further down than this nobody puts it.
HEADER_LINES = 60
# Far beyond what converters do; what is outside is a wrong unit or a damaged file.
LEAST_RATE_HZ, MOST_RATE_HZ = 1.0, 1e15
MOST_AMPLITUDE = 1e100  # its square, and sums of those, can still be computed
DELIMITERS = ("\t", ";", ",", "|")
EVEN_STEPS, ROUNDING_DIGITS, MOST_STEPS = 0.01, 0.6, 0.3
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12}
UNIT_WORDS = {
    "sec": "s",
    "second": "s",
    "seconds": "s",
    "msec": "ms",
    "millisecond": "ms",
    "milliseconds": "ms",
    "usec": "us",
    "microsecond": "us",
    "microseconds": "us",
    "nsec": "ns",
    "nanosecond": "ns",
    "nanoseconds": "ns",
}
TIME_NAMES = {"time", "t", "zeit", "temps", "tiempo", "tempo"}
AMPLITUDE_NAMES = {
    "amplitude", "ampl", "amp", "a", "signal", "voltage", "u", "value", "spannung", "tension", "channel1",
    "channela",
    "cha",
    "ch1",
}  # fmt: skip
AMPLITUDE_UNITS = {
    "v": ("V", 1.0),
    "volt": ("V", 1.0),
    "volts": ("V", 1.0),
    "mv": ("V", 1e-3),
    "millivolt": ("V", 1e-3),
    "millivolts": ("V", 1e-3),
    "uv": ("V", 1e-6),
    "%": ("%", 1.0),
    "percent": ("%", 1.0),
    "pct": ("%", 1.0),
}
_NUMBER = re.compile(r"[+-]?(?:\d+\.?(\d*)|\.(\d+))(?:e([+-]?\d+))?|nan|[+-]?inf(?:inity)?", re.IGNORECASE)
_COLUMN = re.compile(r"(?P<name>[^\[\](){}/]*)[\[({/](?P<unit>[^\[\](){}]*)[\])}]?")
_COMMENT = re.compile(r"\s*(#|//|%)")
EXPORT = "export it again"


@dataclass(frozen=True, slots=True)
class _Header:
    line: int
    delimiter: str
    columns: int
    time: int
    time_scale_s: float
    amplitude: int
    unit: str
    amplitude_scale: float


def sniff(head: bytes) -> str | None:
    """Say why these first bytes are not text; None when they may be."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return None
    if b"\0" in head or head.startswith((b"PK", b"%PDF", b"\x93NUMPY")):
        return "holds bytes that no text has"
    return None


def read(path: Path) -> Trace:
    """Read one trace from a text file of at most 64 MB.

    Raises
    ------
    TapscanError
        With the number of the line that is wrong.
    """
    where = file_name(path)
    size = path.stat().st_size
    if size > MAX_BYTES:
        what = f"is {size / 1e6:,.0f} MB, too large for one trace"
        raise TapscanError(where, what, "give a whole zone as one .npy array")
    return parse_trace(_decode(path.read_bytes(), where), where)


def parse_trace(text: str, where: str) -> Trace:
    r"""Turn the text of a trace into numbers.

    Raises
    ------
    TapscanError
        With the number of the line that is wrong.

    Examples
    --------
    >>> trace = parse_trace("time_us;amplitude_mV\n0,00;1,5\n0,01;-2\n0,02;0\n", "ascans/BM-07-05.csv")
    >>> trace.sample_rate_hz, trace.unit
    (100000000.0, 'V')
    """
    lines = re.split(r"\r\n|\n|\r", text)
    header = _find_header(lines, where)
    rows = list(_rows(lines, header, where))
    if len(rows) < 2:
        raise TapscanError(where, f"has {len(rows)} rows of numbers, too few for a trace", EXPORT)
    numbers = [row[0] for row in rows]
    times = _column([row[1] for row in rows], numbers, "time", where)
    values = _column([row[2] for row in rows], numbers, "amplitude", where)
    if not np.isfinite(times).all():
        bad = int(np.argmin(np.isfinite(times)))
        raise TapscanError(where, f"line {numbers[bad]}: the time is {rows[bad][1].strip()}", EXPORT)
    with np.errstate(all="ignore"):  # what is beyond all measure is refused below
        step_s = _even_step(times, [row[1] for row in rows], numbers, where) * header.time_scale_s
    if not 1 / MOST_RATE_HZ <= step_s <= 1 / LEAST_RATE_HZ:
        what = f"its samples are {step_s:.3g} s apart, which no instrument for A-scans makes"
        raise TapscanError(where, what, "check the unit in the header line, and export it again")
    if np.nanmax(np.abs(values), initial=0.0, where=np.isfinite(values)) > MOST_AMPLITUDE:
        raise TapscanError(where, "has amplitudes beyond all measure", EXPORT)
    samples = values * header.amplitude_scale
    samples.flags.writeable = False
    # Nine digits are far more than any time base is good for, and free of the fit's last-bit noise.
    rate_hz = float(f"{1 / step_s:.9g}")
    return Trace(samples, rate_hz, float(times[0]) * header.time_scale_s, header.unit)


def _decode(content: bytes, where: str) -> str:
    try:
        if content.startswith((b"\xff\xfe", b"\xfe\xff")):
            return content.decode("utf-16")
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        if content.startswith((b"\xff\xfe", b"\xfe\xff")):
            raise TapscanError(where, "is broken UTF-16 text", EXPORT) from None
        return content.decode("latin-1")  # a lone µ from an older program; digits are the same in all of them


def _find_header(lines: Sequence[str], where: str) -> _Header:
    """Find the first line that names one time and one amplitude column, also inside a comment."""
    first: tuple[int, str] | None = None
    for number, line in enumerate(lines[:HEADER_LINES], start=1):
        bare = _COMMENT.sub("", line, count=1).strip() if _COMMENT.match(line) else line.strip()
        if not bare or bare.lower().startswith("sep="):
            continue
        for delimiter in DELIMITERS:
            header = _header(_split(bare, delimiter), lines, (number, delimiter), where)
            if header is not None:
                return header
        if first is None and not _COMMENT.match(line):
            first = number, bare
    if first is None:
        raise TapscanError(
            where, "holds no header line", "name the columns in the first line: time_us,amplitude"
        )
    raise _headless(*first, where)


def _headless(number: int, line: str, where: str) -> TapscanError:
    """Say what is missing in the line that ought to be the header."""
    cells = max((_split(line, delimiter) for delimiter in DELIMITERS), key=len)
    remedy = "name the columns in the first line: time_us,amplitude"
    if all(_NUMBER.fullmatch(cell.strip().replace(",", ".")) for cell in cells):
        return TapscanError(where, f"line {number}: has numbers where the header line belongs", remedy)
    kinds = [_meaning(cell) for cell in cells]
    for kind in ("time", "amplitude"):
        if not any(found is not None and found[0] == kind for found in kinds):
            shown = ", ".join(cell.strip()[:30] for cell in cells[:6])
            return TapscanError(where, f"line {number}: has no {kind} column among {shown}", remedy)
    return TapscanError(where, f"line {number}: is not a header line", remedy)


def _header(cells: Sequence[str], lines: Sequence[str], place: tuple[int, str], where: str) -> _Header | None:
    """Read the cells of a header line; None when a time or amplitude column is not among them."""
    number, delimiter = place
    found: dict[str, list[tuple[int, str]]] = {"time": [], "amplitude": []}
    for index, cell in enumerate(cells):
        meaning = _meaning(cell)
        if meaning is not None:
            found[meaning[0]].append((index, meaning[1]))
    if not found["time"] or not found["amplitude"]:
        return None
    for kind, columns in found.items():
        if len(columns) > 1:
            names = " and ".join(cells[index].strip() for index, _ in columns)
            raise TapscanError(
                where, f"line {number}: {names} could both be the {kind}", "leave one of them out"
            )
    (time, time_unit), (amplitude, unit) = found["time"][0], found["amplitude"][0]
    if not time_unit:
        # Some instruments write the units into a line of their own.
        number, units = _units_below(lines, number, delimiter)
        time_unit = units[time] if time < len(units) else ""
        unit = unit or (units[amplitude] if amplitude < len(units) else "")
    if time_unit not in TIME_UNITS:
        what = f"line {number}: the time column {cells[time].strip()!r} has no unit"
        if time_unit:
            what = f"line {number}: the time unit {time_unit!r} is not known"
        raise TapscanError(where, what, "name it time_s, time_ms, time_us or time_ns")
    unit, scale = AMPLITUDE_UNITS.get(unit.lower(), (unit, 1.0))
    return _Header(number, delimiter, len(cells), time, TIME_UNITS[time_unit], amplitude, unit, scale)


def _units_below(lines: Sequence[str], number: int, delimiter: str) -> tuple[int, list[str]]:
    """Read the line below the names when it holds units; else return the names' own line and no units."""
    below = next((n for n in range(number + 1, len(lines) + 1) if lines[n - 1].strip()), number)
    units = [_unit(cell.strip(" ()[]")) for cell in _split(lines[below - 1], delimiter)]
    return (below, units) if any(unit in TIME_UNITS for unit in units) else (number, [])


def _unit(text: str) -> str:
    """Spell a unit of time in the one way that is looked up; other units stay as they are."""
    plain = text.strip().replace("μ", "u").replace("µ", "u")
    short = UNIT_WORDS.get(plain.lower(), plain.lower())
    return short if short in TIME_UNITS else plain


def _meaning(cell: str) -> tuple[str, str] | None:
    """Say whether a column name means time or amplitude, and in which unit.

    Examples
    --------
    >>> _meaning("Time (ns)"), _meaning("t[s]"), _meaning("amplitude_mV"), _meaning("%"), _meaning("gain")
    (('time', 'ns'), ('time', 's'), ('amplitude', 'mV'), ('amplitude', '%'), None)
    """
    text = cell.strip().strip("\"'").strip().replace("μ", "u").replace("µ", "u")
    match = _COLUMN.fullmatch(text)
    if match is not None:
        name, unit = match["name"].strip(" _"), match["unit"].strip()
    else:
        name, unit = text, ""
        words = re.split(r"[_\s]+", text)
        if len(words) > 1:
            name, unit = "".join(words[:-1]), words[-1]
    plain = re.sub(r"[\s_]", "", name).lower()
    if plain in TIME_NAMES:
        return "time", _unit(unit)
    if plain in AMPLITUDE_NAMES or re.sub(r"[\s_]", "", text).lower() in AMPLITUDE_NAMES:
        return "amplitude", unit if plain in AMPLITUDE_NAMES else ""
    if _unit(text) in TIME_UNITS:
        return "time", _unit(text)
    return ("amplitude", text) if text.lower() in AMPLITUDE_UNITS else None


def _split(line: str, delimiter: str) -> list[str]:
    # Quoted cells, as in "0,01","0,5", are understood; line by line, as a stray quote must swallow none.
    return next((cells for _, cells in csv_rows(line, delimiter)), [])


def _rows(lines: Sequence[str], header: _Header, where: str) -> Iterator[tuple[int, str, str]]:
    """Yield line number, time and amplitude as written, of every line that is neither blank nor a comment."""
    last = max(header.time, header.amplitude)
    for number, line in enumerate(lines[header.line :], start=header.line + 1):
        if _COMMENT.match(line):
            continue
        cells = _split(line, header.delimiter) if '"' in line else line.split(header.delimiter)
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) <= last:
            what = f"line {number}: has {len(cells)} cells, and the header names {header.columns}"
            raise TapscanError(where, what, EXPORT)
        if header.delimiter == "," and any(cell.strip() for cell in cells[header.columns :]):
            what = f"line {number}: has {len(cells)} cells, and the header names {header.columns}"
            raise TapscanError(where, what, "with decimal commas, put semicolons between the columns")
        yield number, cells[header.time], cells[header.amplitude]


def _column(cells: Sequence[str], numbers: Sequence[int], kind: str, where: str) -> NDArray[np.float64]:
    """Read one column of numbers, with a decimal point or a decimal comma throughout."""
    if any("," in cell for cell in cells):
        pointed = next((i for i, cell in enumerate(cells) if "." in cell), None)
        if pointed is not None:
            what = f"line {numbers[pointed]}: mixes decimal commas and points in the {kind} column"
            raise TapscanError(where, what, "use one of them, and no thousands separators")
    values = np.empty(len(cells))
    for i, cell in enumerate(cells):
        bare = _bare(cell)
        if _NUMBER.fullmatch(bare) is None:
            shown = f"{cell.strip()[:30]!r} is not a number" if cell.strip() else "is empty"
            raise TapscanError(where, f"line {numbers[i]}: {kind} {shown}", EXPORT)
        values[i] = float(bare)
    return values


def _bare(cell: str) -> str:
    return cell.strip().replace(",", ".").replace("−", "-")


def _even_step(times: NDArray[np.float64], cells: Sequence[str], numbers: Sequence[int], where: str) -> float:
    """Return the step of an even time base, in the column's unit, by least squares; refuse an uneven one."""
    steps = np.diff(times)
    if (steps <= 0).any():
        bad = int(np.argmax(steps <= 0))
        what = f"line {numbers[bad + 1]}: the time {'repeats' if steps[bad] == 0 else 'goes back'}"
        raise TapscanError(where, what, "export one trace with times that only rise, and enough digits")
    index = np.arange(len(times)) - (len(times) - 1) / 2
    step = float(index @ (times - times.mean()) / (index @ index))
    off = np.abs(times - times.mean() - step * index)
    if (off <= EVEN_STEPS * step).all():
        return step
    allowed = np.clip(ROUNDING_DIGITS * _last_digit(cells), EVEN_STEPS * step, MOST_STEPS * step)
    if (off <= allowed).all():
        return step
    usual = float(np.median(steps))
    odd = np.abs(steps - usual) > 2 * np.minimum(allowed[1:], allowed[:-1])
    bad = int(np.argmax(odd)) if odd.any() else max(int(np.argmax(off > allowed)) - 1, 0)
    what = f"line {numbers[bad + 1]}: uneven time base: a step of {steps[bad]:.6g} where {usual:.6g} is usual"
    raise TapscanError(where, what, "export it evenly sampled, with enough digits in the times")


def _last_digit(cells: Sequence[str]) -> NDArray[np.float64]:
    """How much the last printed digit of each time is worth; zeros left off at the end count as printed."""
    matches = [_NUMBER.fullmatch(_bare(cell)) for cell in cells]
    decimals = max(len((match[1] or match[2] or "") if match else "") for match in matches)
    exponents = np.array([int(match[3] or 0) if match else 0 for match in matches], dtype=float)
    return np.asarray(10.0 ** (exponents - decimals))
