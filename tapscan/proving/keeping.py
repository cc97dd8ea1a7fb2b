"""Where checks of the setup are kept: ``setup/`` of the part, and ``history/`` of the known piece."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path

from tapscan.errors import TapscanError, sentence
from tapscan.plan.text.reading import PLAN_NAME
from tapscan.proving.checks import Check, check_text, parse_check
from tapscan.records.digests import setup_checks
from tapscan.records.inspection import ASCANS, SETUP, TAPS, Inspection, end_of
from tapscan.records.writing import write_bytes, write_text

__all__ = [
    "HISTORY",
    "all_checks",
    "has_readings",
    "keep",
    "part_checks",
    "piece_checks",
    "reading_marks",
    "start_check",
]

HISTORY = "history"
MARK_LENGTH = 16  # figures of a SHA-256: two of a billion readings share one with a chance of 3 %
_MOST_BYTES = 8_000_000
METHOD_FOLDERS = {TAPS: "tap", ASCANS: "ascan"}


def reading_marks(inputs: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
    """Give the marks of all readings, by method, from the digests of an inspection's files."""
    marks = defaultdict(list)
    for name, digest in inputs.items():
        method = METHOD_FOLDERS.get(name.split("/")[0])
        if method is not None:
            marks[method].append(digest[:MARK_LENGTH])
    return {method: tuple(sorted(found)) for method, found in sorted(marks.items())}


def start_check(part: Path, piece: Inspection, time: str) -> Path:
    """Make the folder of a new check in the part's ``setup/``, with the piece's plan in it.

    Raises
    ------
    TapscanError
        When there is a check of that time, or ``setup/`` leads out of the inspection or cannot be written.
    """
    home = part / SETUP
    end = end_of(home)
    if end is None or not end.is_relative_to(part.resolve()):
        raise TapscanError(SETUP, "is a link out of the inspection", "put a folder of its own there")
    folder = home / time.replace(":", "")
    try:
        folder.mkdir(parents=True)
        write_bytes(folder / PLAN_NAME, (piece.folder / PLAN_NAME).read_bytes())
    except FileExistsError:
        where = f"{SETUP}/{folder.name}"
        raise TapscanError(where, "is there already", "give another --time") from None
    except OSError as error:
        what = f"cannot be written: {error.strerror}"
        raise TapscanError(SETUP, what, "free some space, or check who may write there") from None
    return folder


def has_readings(folder: Path) -> bool:
    """Whether anything was taken into a check's folder."""
    return any(path.is_file() for name in METHOD_FOLDERS for path in (folder / name).glob("*"))


def keep(check: Check, folder: Path, piece: Path, warnings: list[str]) -> Path:
    """Write a check into its folder, and a copy into the piece's history.

    A piece that cannot be written to adds a sentence to `warnings`: the check itself is kept.
    """
    text = check_text(check)
    path = folder / "check.json"
    write_text(path, text)
    try:
        write_text(piece / HISTORY / f"{folder.name}.json", text)
    except OSError as error:
        what = f"the piece's history cannot be written: {error.strerror}"
        remedy = f"copy {path} there, named {folder.name}.json"
        warnings.append(sentence(f"{piece.name}/{HISTORY}", what, remedy))
    return path


def part_checks(part: Path, warnings: list[str]) -> list[Check]:
    """Read the checks in a part's ``setup/``, in order of time; one that cannot be read is a warning."""
    return _read(setup_checks(part), part, warnings)


def piece_checks(piece: Path, warnings: list[str]) -> list[Check]:
    """Read the history of a known piece, in order of time."""
    folder = piece / HISTORY
    paths = sorted(folder.glob("*.json")) if folder.is_dir() else []
    return _read([path for path in paths if not path.name.startswith(".")], piece, warnings)


def all_checks(part: Path, piece: Path | None, warnings: list[str]) -> list[Check]:
    """Read the checks of a known piece and of a part, each once, in order of time."""
    found = [] if piece is None else piece_checks(piece, warnings)
    found += [one for one in part_checks(part, warnings) if one not in found]
    return sorted(found, key=lambda check: check.about.time)


def _read(paths: Sequence[Path], home: Path, warnings: list[str]) -> list[Check]:
    found = []
    for path in paths:
        where = path.relative_to(home).as_posix()
        try:
            if path.stat().st_size > _MOST_BYTES:
                raise TapscanError(where, "is far too large for a check", "move it away")
            found.append(parse_check(path.read_text(encoding="utf-8"), where))
        except UnicodeDecodeError:
            warnings.append(sentence(where, "is not a check that tapscan wrote", "make the check again"))
        except OSError as error:
            warnings.append(sentence(where, f"cannot be read: {error.strerror}", "check who may read it"))
        except TapscanError as error:
            warnings.append(str(error))
    return sorted(found, key=lambda check: check.about.time)
