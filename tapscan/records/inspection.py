"""The inspection folder: its plan, and which file belongs to which point. No signal is read here."""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from tapscan.errors import nearest, sentence
from tapscan.pictures import picture_facts
from tapscan.plan import Plan, Point, Zone, block_mask, parse_point, placed
from tapscan.plan.photos.sharing import shared_points
from tapscan.plan.text.doubts import doubts
from tapscan.plan.text.reading import read_plan
from tapscan.records.readers import RECORDING_ENDS
from tapscan.records.readers.readings import file_name
from tapscan.records.swapping import put_back

__all__ = [
    "ASCANS",
    "SETUP",
    "TAPS",
    "Inspection",
    "end_of",
    "named_point",
    "objection",
    "open_inspection",
]

TAPS, ASCANS, SETUP = "taps", "ascans", "setup"
# BM-07-05, or BM-07-05_2 for another recording at the same point.
_STEM = re.compile(r"(?P<point>.+?)(?:_(?P<number>[0-9]{1,6}))?")


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """What an inspection folder holds: the plan, and the files of every planned point that has any.

    `tap_files` maps a point to its recordings, in the order in which they count; `volumes` a zone's code to
    its ``.npy``; `trace_files` a point to its trace. A zone has a volume or traces, never both. `warnings`
    are sentences about files that fit no point, and about what the plan can hardly mean.
    """

    folder: Path
    plan: Plan
    tap_files: Mapping[Point, tuple[Path, ...]]
    volumes: Mapping[str, Path]
    trace_files: Mapping[Point, Path]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Found:
    point: Point
    number: int
    path: Path


def open_inspection(folder: str | Path) -> Inspection:
    """Read the plan and list the readings of the inspection in `folder`.

    Files are matched whatever the zero padding and the case of their names. Links that lead out of the folder
    are not followed. The order of the files on disk changes nothing.

    Raises
    ------
    TapscanError
        When there is no such folder, or no plan in it, or the plan is wrong.

    Examples
    --------
    >>> inspection = open_inspection("my-part")                                # doctest: +SKIP
    >>> len(inspection.tap_files), list(inspection.volumes)                    # doctest: +SKIP
    (480, ['TB'])
    """
    root = Path(folder)
    put_back(root / "results")  # where a program was killed while it replaced them
    plan = read_plan(root)
    warnings = doubts(plan)
    warnings += [sentence(*fault) for zone in plan.zones for fault in _places_in_photos(root, zone)]
    places = _Places(plan)
    tap_files = _recordings(_files(root, TAPS, warnings), places, warnings)
    ascans = list(_files(root, ASCANS, warnings))
    volumes = _volumes((path for path in ascans if path.suffix.lower() == ".npy"), plan, warnings)
    traces = _traces((path for path in ascans if path.suffix.lower() != ".npy"), places, warnings)
    traces = _without_volumes(traces, volumes, warnings)
    tap_files, traces = _with_shared(plan, tap_files, traces, volumes)
    return Inspection(
        folder=root,
        plan=plan,
        tap_files=MappingProxyType(tap_files),
        volumes=MappingProxyType(volumes),
        trace_files=MappingProxyType(traces),
        warnings=tuple(warnings),
    )


def _places_in_photos(root: Path, zone: Zone) -> Iterator[tuple[str, str, str]]:
    """Warn of a photo that says where it was taken: whoever gets the report or the archive reads it."""
    if zone.layout is not None and picture_facts(root / zone.layout.photo, zone.layout.photo).has_place:
        what = "says where it was taken, which may be the customer's address"
        yield zone.layout.photo, what, "take the place out with: tapscan grid DIR --strip-place"


class _Places:
    """Says whether a point is one that the plan wants read, and if not, why."""

    def __init__(self, plan: Plan) -> None:
        self._zones = {zone.code: zone for zone in plan.zones}
        self._skipped = {zone.code: block_mask(zone, zone.skip) for zone in plan.zones if zone.skip}

    def objection(self, point: Point) -> tuple[str, str] | None:
        """Return what is wrong with the point and the way out; None when it is planned."""
        zone = self._zones.get(point.zone)
        if zone is None:
            close = nearest(point.zone, self._zones)
            remedy = f"did you mean {close}?" if close else f"zones of the plan: {', '.join(self._zones)}"
            return f"fits no point: the plan has no zone {point.zone}", remedy
        for what, number, count in (
            ("station", point.station, zone.stations),
            ("position", point.position, zone.positions),
        ):
            if not 1 <= number <= count:
                return (
                    f"fits no point: {what} {number} is outside zone {zone.code}",
                    f"{what}s run from 1 to {count}",
                )
        skipped = self._skipped.get(point.zone)
        if skipped is not None and skipped[point.station - 1, point.position - 1]:
            if not placed(self._zones[point.zone])[point.station - 1, point.position - 1]:
                return (
                    f"fits no point: zone {point.zone} has no point {point} on its photo",
                    "correct the name, or place the point",
                )
            return (
                f"is at {point}, which the plan skips",
                "take the point out of skip, or move the file away",
            )
        return None


def _files(root: Path, name: str, warnings: list[str]) -> Iterator[Path]:
    """Yield the regular files in a subfolder, sorted by name; links must stay inside the inspection."""
    folder = root / name
    inside = root.resolve()
    if folder.exists() and not folder.is_dir():
        warnings.append(sentence(name, "is not a folder", "put the readings into a folder of that name"))
        return
    if not folder.is_dir():
        if folder.is_symlink():
            warnings.append(sentence(name, "is a link to nowhere", "put the files themselves there"))
        return
    if not (end_of(folder) or folder).is_relative_to(inside):
        warnings.append(
            sentence(name, "is a link out of the inspection and was not followed", "copy the files there")
        )
        return
    for path in sorted(folder.iterdir(), key=lambda path: path.name):
        if path.name.startswith("."):
            continue  # what a file system or an unfinished write left behind, never a reading
        fault = _no_reading(path, inside)
        if fault is None:
            yield path
        else:
            warnings.append(sentence(file_name(path), *fault))


def _no_reading(path: Path, inside: Path) -> tuple[str, str] | None:
    """Say why a path is not a regular file of the inspection, and the way out; None when it is one."""
    end = end_of(path)
    if end is None:
        return "is a link that leads back to itself", "put the file itself there"
    if path.is_symlink() and not end.is_relative_to(inside):
        return "is a link out of the inspection and was not followed", "copy the file there"
    if path.is_dir():
        return "is a folder and was not searched", f"put its files straight into {path.parent.name}"
    return None if path.is_file() else ("is not a regular file", "put the file itself there")


def end_of(path: Path) -> Path | None:
    """Follow links to where they end; None when they never do."""
    try:
        return path.resolve()
    except (OSError, RuntimeError):
        return None


def named_point(path: Path) -> tuple[Point, int] | None:
    """Find which point a file's name means, and its number among the recordings there; else None.

    Examples
    --------
    >>> named_point(Path("taps/bm-7-5_2.WAV"))
    (Point(zone='BM', station=7, position=5), 2)
    >>> named_point(Path("taps/notes.txt")) is None
    True
    """
    match = _STEM.fullmatch(path.stem.upper())
    point = parse_point(match["point"]) if match else None
    return None if match is None or point is None else (point, int(match["number"] or 1))


def objection(plan: Plan, point: Point) -> tuple[str, str] | None:
    """Say why the plan does not want a reading at this point, and the way out; None when it does."""
    return _Places(plan).objection(point)


def _identify(path: Path, places: _Places, warnings: list[str]) -> _Found | None:
    """Find which planned point a file belongs to by its name, or add a warning."""
    where = file_name(path)
    named = named_point(path)
    if named is None:
        warnings.append(
            sentence(where, "its name is not that of a point", "name it like BM-07-05" + path.suffix.lower())
        )
        return None
    point, number = named
    fault = places.objection(point)
    if fault is not None:
        warnings.append(sentence(where, *fault))
        return None
    return _Found(point, number, path)


def _recordings(paths: Iterable[Path], places: _Places, warnings: list[str]) -> dict[Point, tuple[Path, ...]]:
    found: dict[Point, dict[int, Path]] = {}
    for path in paths:
        where = file_name(path)
        if path.suffix.lower() not in RECORDING_ENDS:
            remedy = f"move it to {ASCANS}" if path.suffix.lower() in {".npy", ".csv"} else "move it away"
            warnings.append(sentence(where, "is no recording of a known kind and was left out", remedy))
            continue
        file = _identify(path, places, warnings)
        if file is None:
            continue
        numbered = found.setdefault(file.point, {})
        if file.number in numbered:
            what = f"is a second file for {file.point} beside {numbered[file.number].name} and was left out"
            remedy = (
                f"if it is another recording, name it {file.point}_2{path.suffix.lower()}; else delete it"
            )
            warnings.append(sentence(where, what, remedy))
            continue
        numbered[file.number] = path
    return {
        point: tuple(numbered[number] for number in sorted(numbered))
        for point, numbered in sorted(found.items())
    }


def _with_shared(
    plan: Plan,
    taps: dict[Point, tuple[Path, ...]],
    traces: dict[Point, Path],
    volumes: Mapping[str, Path],
) -> tuple[dict[Point, tuple[Path, ...]], dict[Point, Path]]:
    """Give points that two photos show the readings of both names; of two traces the first zone's."""
    same = shared_points(plan)
    pooled = {first: taps.get(first, ()) for first in same.values()}
    for second, first in same.items():
        pooled[first] += taps.get(second, ())
    both = {name: pooled[first] for second, first in same.items() for name in (first, second)}
    found = {point: files for point, files in {**taps, **both}.items() if files}
    single = dict(traces)
    for second, first in same.items():
        trace = traces.get(first) or traces.get(second)
        if trace is not None:
            single |= {name: trace for name in (first, second) if name.zone not in volumes}
    return dict(sorted(found.items())), dict(sorted(single.items()))


def _volumes(paths: Iterable[Path], plan: Plan, warnings: list[str]) -> dict[str, Path]:
    codes = [zone.code for zone in plan.zones]
    found: dict[str, Path] = {}
    for path in paths:
        where, code = file_name(path), path.stem.upper()
        if code not in codes:
            close = nearest(code, codes)
            remedy = f"did you mean {close}.npy?" if close else f"zones of the plan: {', '.join(codes)}"
            warnings.append(sentence(where, f"fits no zone: the plan has no zone {code}", remedy))
        elif code in found:
            what = f"is a second volume for zone {code} beside {found[code].name} and was left out"
            warnings.append(sentence(where, what, "keep one of them"))
        elif plan.sample_rate_mhz is None:
            what = "has no time base: the plan gives no sample_rate_mhz, so it was left out"
            warnings.append(sentence(where, what, "add sample_rate_mhz = … under [ascan]"))
        else:
            found[code] = path
    return found


def _traces(paths: Iterable[Path], places: _Places, warnings: list[str]) -> dict[Point, Path]:
    found: dict[Point, Path] = {}
    for path in paths:
        where = file_name(path)
        if path.suffix.lower() != ".csv":
            remedy = f"move it to {TAPS}" if path.suffix.lower() in RECORDING_ENDS else "move it away"
            warnings.append(
                sentence(where, "is neither a .npy volume nor a .csv trace and was left out", remedy)
            )
            continue
        file = _identify(path, places, warnings)
        if file is None:
            continue
        if file.point in found:
            what = f"is a second trace for {file.point} beside {found[file.point].name} and was left out"
            warnings.append(sentence(where, what, "keep one of them"))
            continue
        found[file.point] = path
    return dict(sorted(found.items()))


def _without_volumes(
    traces: dict[Point, Path], volumes: Mapping[str, Path], warnings: list[str]
) -> dict[Point, Path]:
    """Leave out the single traces of a zone that also has a volume: which of them counts is not guessed."""
    for code, path in volumes.items():
        count = sum(point.zone == code for point in traces)
        if count:
            what = f"zone {code} has this volume and single traces too ({count}); the traces were left out"
            warnings.append(sentence(file_name(path), what, "move the volume or the traces away"))
    return {point: path for point, path in traces.items() if point.zone not in volumes}
