"""Computing archived inspections again from their own inputs, and reporting what differs."""

import json
import shutil
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tapscan import __version__
from tapscan.analysis import Results, analyse
from tapscan.archive.bags.checking import check_bag
from tapscan.archive.bags.making import add_inspection, beside
from tapscan.archive.bags.restoring import restore_bag
from tapscan.archive.bags.stored import stored_tables
from tapscan.archive.changes import Change, changes
from tapscan.archive.places import SETTINGS, Bag, list_bags
from tapscan.archive.spreading import spread, workers_at
from tapscan.errors import TapscanError, sentence
from tapscan.records.digests import digests
from tapscan.records.inspection import ASCANS, open_inspection
from tapscan.sectioning.cut_photos import computed_again, stored_marks
from tapscan.sectioning.findings.learning import known_from_cuts
from tapscan.sectioning.findings.recorded import FINDINGS_NAME
from tapscan.signals import Workers

__all__ = ["Rerun", "Task", "add_version", "recompute", "rerun", "task_of"]

HUGE_BYTES = 256_000_000
# Analyses share one setting of the linear algebra library, so a process does one at a time.
_ONE_AT_A_TIME = threading.Lock()

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Task:
    """What a worker needs to know to compute one bag again: plain texts, so that they travel anywhere.

    `against` are the bags of the inspections that it was compared with, each with the folder's name then.
    """

    folder: str
    against: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Computed:
    """The tables that came out, by name, or a sentence that says why none did."""

    tables: dict[str, str]
    version: str = __version__
    problem: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Rerun:
    """One bag computed again: what came out, and how that differs from what the bag holds.

    `was_analysed` is False where the bag holds no results to compare with. `problem` is empty, or a sentence
    that says why it could not be computed.
    """

    bag: Bag
    tables: dict[str, str]
    changes: tuple[Change, ...]
    was_analysed: bool
    problem: str


def rerun(
    bags: Sequence[Bag],
    archive: Path,
    scheduler: str | None = None,
    progress: Progress = lambda *_: None,
) -> list[Rerun]:
    """Compute bags again from their inputs, here or at a Dask scheduler; nothing is written.

    Every bag is checked against its checksums first; one that is damaged has a problem and no results.

    Parameters
    ----------
    bags
        Which ones.
    archive
        The archive; searched for inspections that one of them was compared with.
    scheduler
        Address of a Dask scheduler whose workers see the archive under the same path; None computes here.
    progress
        Called with (bags done, bags to do).

    An inspection whose A-scans fill more than `HUGE_BYTES` is not sent to one worker: its blocks of traces
    are, from here.

    Raises
    ------
    TapscanError
        When Dask is not installed, or no scheduler answers.

    Examples
    --------
    >>> one = rerun([find_bag(archive, "my-part")], archive)[0]               # doctest: +SKIP
    >>> one.changes                                                           # doctest: +SKIP
    ()
    """
    tasks: dict[Bag, Task] = {}
    outcomes: dict[Bag, Computed] = {}
    for bag in bags:
        try:
            tasks[bag] = task_of(bag, archive)
        except TapscanError as error:
            outcomes[bag] = Computed({}, problem=str(error))
    # What would keep one worker busy for long is cut up here, and its pieces are spread instead.
    cut = [bag for bag in tasks if scheduler is not None and _volume_bytes(bag) > HUGE_BYTES]
    whole = [bag for bag in tasks if bag not in cut]
    computed = spread(recompute, [tasks[bag] for bag in whole], scheduler, progress, _failed)
    outcomes.update(zip(whole, computed, strict=True))
    for done, bag in enumerate(cut, start=len(whole) + 1):
        outcomes[bag] = _by_blocks(tasks[bag], str(scheduler))
        progress(done, len(tasks))
    return [_compared(bag, outcomes[bag]) for bag in bags]


def task_of(bag: Bag, archive: Path) -> Task:
    """Say what is needed to compute a bag again.

    Raises
    ------
    TapscanError
        When it was compared with an inspection that is not in the archive.
    """
    try:
        held = json.loads((bag.inspection / "results/summary.json").read_bytes()).get("against", [])
        others = [(one["folder"], one["inputs"]) for one in held]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        others = []  # never analysed, or damaged, which the check will report
    places = []
    for name, inputs in others:
        other = next((each for each in list_bags(archive) if _holds(each, inputs)), None)
        if other is None:
            what = f"was compared with {name}, which is not in the archive as it was then"
            raise TapscanError(bag.label, what, "add that inspection, then run this again")
        places.append((other.inspection.resolve().as_posix(), name))
    return Task(bag.folder.resolve().as_posix(), tuple(places))


def recompute(task: Task, workers: int | Workers = 2) -> Computed:
    """Check a bag and compute its tables again. Any process of this machine or another can do it.

    `workers` measure its A-scans, as for `tapscan.signals.measure_volume`.
    """
    folder = Path(task.folder)
    try:
        if not folder.is_dir():
            what = "is not to be seen from where it should be computed"
            raise TapscanError(task.folder, what, "give every worker the archive under this path")
        faults = check_bag(folder)
        if faults:
            more = f"; {len(faults) - 1} more faults" if len(faults) > 1 else ""
            where = f"{folder.name}/{faults[0].path}"
            raise TapscanError(where, faults[0].what + more, "see archive check")
        inspection = open_inspection(folder / "data")
        others = [open_inspection(place) for place, _ in task.against]
        cuts = [known_from_cuts(other) for other in others]
        with _ONE_AT_A_TIME:
            tables = analyse(inspection, others, cuts, writer=_unwritten, workers=workers).tables
        tables = {**tables, **computed_again(folder / "data")}
    except TapscanError as error:
        return Computed({}, problem=str(error))
    for place, name in task.against:
        tables = {table: text.replace(place, name) for table, text in tables.items()}
    return Computed(tables)


def add_version(bag: Bag, archive: Path, save: Callable[[Path, Sequence[Path]], object]) -> Bag:
    """Archive a new version of a bag whose results are computed anew; the old version stays as it is.

    `save` is called with a copy of the inspection, without results, and with the folders of the inspections
    that it was compared with; it has to write the results into the copy.

    Raises
    ------
    TapscanError
        When the bag is damaged, or the disk refuses.
    """
    task = task_of(bag, archive)
    with beside(archive, bag.name) as building:
        copy = building / bag.name
        restore_bag(bag.folder, copy)
        shutil.rmtree(copy / "results", ignore_errors=True)
        save(copy, [Path(place) for place, _ in task.against])
        return add_inspection(copy, archive, bag.name).bag


def _by_blocks(task: Task, scheduler: str) -> Computed:
    """Compute a bag here, while workers at the scheduler measure its A-scans block by block."""
    try:
        with workers_at(scheduler) as workers:
            return recompute(task, workers)
    except TapscanError as error:
        return Computed({}, problem=str(error))


def _volume_bytes(bag: Bag) -> int:
    return sum(path.stat().st_size for path in (bag.inspection / ASCANS).glob("*.npy"))


def _failed(task: Task, reason: str) -> Computed:
    what = f"no worker could compute it: {reason}"
    return Computed({}, problem=sentence(Path(task.folder).name, what, "see the worker's log"))


def _compared(bag: Bag, outcome: Computed) -> Rerun:
    problem = outcome.problem
    if not problem and outcome.version != __version__:
        what = f"was computed by tapscan {outcome.version}, and this is {__version__}"
        problem = sentence(bag.label, what, "install the same version on every worker")
    if problem:
        return Rerun(bag, {}, (), was_analysed=False, problem=problem)
    try:
        before = stored_tables(bag)
        measured = stored_marks(bag.inspection)
        after = outcome.tables if before else {name: outcome.tables[name] for name in measured}
        found = changes({**before, **measured}, after)
    except (OSError, ValueError, KeyError, TypeError) as error:
        what = f"its results cannot be read: {' '.join(str(error).split())[:120]}"
        problem = sentence(bag.label, what, "archive it again with results")
        return Rerun(bag, outcome.tables, (), was_analysed=False, problem=problem)
    return Rerun(bag, outcome.tables, found, was_analysed=bool(before), problem="")


def _holds(bag: Bag, inputs: dict[str, str]) -> bool:
    """Whether a bag holds the readings with these checksums, and the findings with theirs or none."""
    readings = {path: digest for path, digest in inputs.items() if path != FINDINGS_NAME}
    try:
        if json.loads((bag.folder / SETTINGS).read_bytes())["inputs"] != readings:
            return False
        inspection = open_inspection(bag.inspection)
        return digests(inspection, known_from_cuts(inspection).file) == inputs
    except (OSError, ValueError, KeyError, TypeError, TapscanError):
        return False


def _unwritten(results: Results) -> Path:
    msg = f"{results.inspection.folder} is sealed"
    raise AssertionError(msg)
