"""What is on the bench: one inspection folder, its latest analysis, and who is collecting.

All that changes while the desk is open lives here, behind one lock. The analysis runs in a thread of its own,
so that the page goes on answering.
"""

import hashlib
import threading
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from tapscan.desk.plan.file import raw_text, write_plan
from tapscan.desk.plan.history import Change, History, redone, undone, with_change
from tapscan.errors import TapscanError
from tapscan.plan import Plan
from tapscan.plan.text.reading import PLAN_NAME
from tapscan.records.inspection import ASCANS, TAPS, Inspection, open_inspection
from tapscan.records.runs import RESULTS, is_saved
from tapscan.report.maps.figures import drawing
from tapscan.report.marking.files import write_templates
from tapscan.report.pages.html import REPORT_NAME
from tapscan.report.pages.short import SHORT_NAME, short_text
from tapscan.report.saving import write_results

if TYPE_CHECKING:
    from collections.abc import Callable

    from tapscan.analysis import Results
    from tapscan.proving.checks import About
    from tapscan.screening.results import Screened

__all__ = ["Analysed", "Begun", "Bench", "Progress"]

MOST_HASHED_BYTES = 16_000_000  # a minute and more of sound; hashed in a few hundredths of a second


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the analysis is: `done` of `total` of `what`. `fault` says why the last one failed."""

    is_running: bool = False
    what: str = ""
    done: int = 0
    total: int = 0
    fault: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Analysed:
    """Results, the fingerprint of the files that they came from, and their number since the desk opened."""

    results: "Results"
    fingerprint: str
    number: int


@dataclass(frozen=True, slots=True, eq=False)
class Begun:
    """A check of the setup whose readings are being taken into the folder `place`."""

    part: Inspection
    piece: Path
    place: Path
    about: "About"


@dataclass(slots=True, eq=False)
class Bench:
    """One inspection folder under the desk. Every method may be called from any thread.

    `piece` is the folder of the known piece that the setup is proved on, where there is one; `begun` the
    checks on it that files are being sent to, by time; `unjudged` the reasons, by time, why checks on it came
    to nothing. `writing` is held by whoever writes plan, notes or readings, `collecting` by the page that
    collects; `analysed` is None until the first analysis is through.
    """

    folder: Path
    piece: Path | None = None
    begun: dict[str, Begun] = field(default_factory=dict)
    unjudged: dict[str, str] = field(default_factory=dict)
    progress: Progress = Progress()
    analysed: Analysed | None = None
    history: History = field(default_factory=History)
    writing: threading.Lock = field(default_factory=threading.Lock)
    collecting: threading.Lock = field(default_factory=threading.Lock)
    _starting: threading.Lock = field(default_factory=threading.Lock)
    _saving: threading.Lock = field(default_factory=threading.Lock)
    _grids_of: Plan | None = None

    def inspection(self) -> Inspection:
        """Open the folder as it is on disk now; see `open_inspection` for what may be wrong with it."""
        return open_inspection(self.folder)

    def has_readings(self) -> bool:
        """Whether there is anything to analyse; not as long as the plan has mistakes."""
        try:
            inspection = self.inspection()
        except TapscanError:
            return False
        return bool(inspection.tap_files or inspection.volumes or inspection.trace_files)

    def start(self, *, writes: bool) -> bool:
        """Begin an analysis in a thread of its own; False when one is running already.

        It `writes` ``results/`` when somebody asked for it. One that only fills the page leaves what is
        there: it may come from an analysis against another inspection.
        """
        with self._starting:
            if self.progress.is_running:
                return False
            self.progress = Progress(is_running=True, what="opening the folder")
        # A daemon, so that leaving the desk does not wait: results/ is replaced in one step or not at all.
        threading.Thread(target=self._analyse, args=(writes,), name="analysis", daemon=True).start()
        return True

    def _analyse(self, writes: bool) -> None:
        from tapscan import analysis

        try:
            mark = self.fingerprint()
            results = analysis.analyse(self.inspection(), writer=write_results, progress=self._report)
            number = 1 if self.analysed is None else self.analysed.number + 1
            self.analysed = Analysed(results, mark, number)
            if writes:
                self.progress = Progress(is_running=True, what="writing results")
                self.save(REPORT_NAME)
            self.progress = Progress()
        except TapscanError as error:
            self.progress = Progress(fault=str(error))
        except BaseException:
            self.progress = Progress(fault="The analysis broke off; the terminal says where.")
            raise

    def _report(self, what: str, done: int, total: int) -> None:
        self.progress = Progress(is_running=True, what=what, done=done, total=total)

    def screened(self, code: str, method: str) -> "Screened":
        """Return one zone as the latest analysis saw it.

        Raises
        ------
        TapscanError
            When there is no analysis yet, or this zone was not inspected by this method.
        """
        where = f"zone {code}"
        if self.analysed is None:
            raise TapscanError(where, "is not analysed yet", "wait, or start the analysis")
        for one in self.analysed.results.screened:
            if (one.zone.code, one.method) == (code, method):
                return one
        raise TapscanError(where, f"was not inspected by {method}", "choose another zone or method")

    def save(self, name: str) -> None:
        """Write the latest analysis to ``results/``, unless it is there with the file of this name.

        Raises
        ------
        TapscanError
            When there is no analysis yet, or ``results`` cannot be written.
        """
        with self._saving:
            analysed = self.analysed
            if analysed is None:
                raise TapscanError(RESULTS, "there is no analysis yet", "wait, or start the analysis")
            if not is_saved(self.folder, analysed.results.summary["run"], name):
                analysed.results.save()

    def short_report(self) -> bytes | None:
        """Draw the short report alone, a fraction of what `save` draws: it is what is read first.

        None without an analysis, and where ``results/`` holds it already.
        """
        with self._saving:  # one thread draws at a time: matplotlib's settings are the process's
            analysed = self.analysed
            if analysed is None or is_saved(self.folder, analysed.results.summary["run"], SHORT_NAME):
                return None
            with drawing():
                return short_text(analysed.results).encode("utf-8", "replace")

    def has_written(self, analysed: Analysed) -> bool:
        """Whether ``results/`` holds this analysis, whoever wrote it."""
        return is_saved(self.folder, analysed.results.summary["run"], REPORT_NAME)

    def draw(self, draw: "Callable[[], bytes | None]") -> bytes | None:
        """Draw while nothing else does: the settings of pictures are the whole program's."""
        with self._saving:
            return draw()

    def write_grids(self, name: str) -> None:
        """Write the wraps that put the grid on the part, unless this one is there for the plan as it is now.

        Raises
        ------
        TapscanError
            When ``results`` leads out of the inspection, or cannot be written.
        """
        with self._saving:
            plan = self.inspection().plan
            if plan != self._grids_of or not (self.folder / RESULTS / name).is_file():
                write_templates(plan, self.folder)
                self._grids_of = plan

    def change_plan(self, words: str, change: "Callable[[], str]") -> str:
        """Let `change` write the plan, so that it can be undone; return the plan's new version.

        Raises
        ------
        TapscanError
            When `change` does, or the plan on disk cannot be used.
        """
        with self.writing:
            before = raw_text(self.folder)
            version = change()
            self.history = with_change(self.history, Change(words, before, raw_text(self.folder)))
        return version

    def undo(self) -> str:
        """Take back the latest change of the plan; return the plan's new version. See `history.undone`."""
        return self._step(undone)

    def redo(self) -> str:
        """Set again what was undone last; return the plan's new version. See `history.redone`."""
        return self._step(redone)

    def _step(self, step: "Callable[[History, str], tuple[str, History]]") -> str:
        with self.writing:
            text, history = step(self.history, raw_text(self.folder))
            version = write_plan(self.folder, text)
            self.history = history
        return version

    def fingerprint(self) -> str:
        """Identify plan and readings by names and contents: a mark that is undone changes nothing."""
        digest = hashlib.sha256()
        paths = [self.folder / PLAN_NAME]
        for name in (TAPS, ASCANS):
            folder = self.folder / name
            if folder.is_dir():
                paths += sorted(path for path in folder.iterdir() if not path.name.startswith("."))
        for path in paths:
            try:
                facts = path.stat()
                content = _content(path, facts.st_size, facts.st_mtime_ns)
            except OSError:
                continue  # gone, or a link to nowhere: neither is a reading
            digest.update(f"{path.name}\0{content}\0".encode("utf-8", "replace"))
        return digest.hexdigest()


@lru_cache(maxsize=100_000)
def _content(path: Path, size: int, mtime_ns: int) -> str:
    """Identify a file's content; a large one, which would take long to read, by its size and time."""
    if size > MOST_HASHED_BYTES:
        return f"{size} {mtime_ns}"
    return hashlib.sha256(path.read_bytes()).hexdigest()
