"""Each run draws the same examples, none fails for being slow on a busy machine, a worker has one core.

Which files start first, and which are quick, is listed here.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest
import scipy.linalg  # noqa: F401 -- loads scipy's own BLAS: only what is loaded can be limited
from hypothesis import settings
from threadpoolctl import threadpool_limits

settings.register_profile("tapscan", deadline=None, derandomize=True)
settings.load_profile("tapscan")

HERE = Path(__file__).resolve().parent
# Files that take longest, the longest first: one that starts last would leave the other cores without work.
LONGEST = (
    "independent/test_ascan_detection.py",
    "desk/test_page.py",
    "desk/test_job.py",
    "independent/test_change.py",
    "independent/test_tap_detection.py",
    "report/test_html.py",
    "signals/test_echoes.py",
    "test_stopped.py",
    "desk/test_placing.py",
    "report/test_pages_for_all.py",
    "independent/test_simulator.py",
    "capture/test_sound_server.py",
    "test_compare.py",
    "screening/taps/test_screen.py",
    "cutface/test_accuracy.py",
    "desk/test_setup_page.py",
    "desk/test_collecting.py",
    "capture/test_killed.py",
    "desk/test_cut_faces.py",
    "cli/test_section.py",
    "capture/test_engine.py",
    "sectioning/test_gathering.py",
    "archive/test_spreading.py",
    "archive/test_catalogue.py",
    "capture/test_listening.py",
    "signals/test_taps.py",
    "test_analysis.py",
    "report/test_wraps.py",
    "records/test_walking.py",
)
# A cross-section for while one works; what is listed above is left out.
QUICK = (
    *("test_architecture.py", "test_errors.py", "physics", "plan", "proving", "records", "screening/taps"),
    *("screening/test_indications.py", "screening/test_thickness.py", "signals/test_bands.py"),
    *("signals/test_spectrum.py", "sectioning/test_findings.py", "sectioning/test_comparing.py"),
    *("sectioning/test_binomial.py", "cutface/test_fibres.py", "capture/test_session.py"),
    *("cli/test_analyse.py", "cli/test_new.py", "cli/test_add.py"),
    *("report/test_maps.py", "report/test_naming.py"),
    *("desk/test_plan_form.py", "desk/test_marks.py", "desk/test_photo_drafts.py", "archive/test_bags.py"),
    *("archive/test_checking.py", "synth/test_ascans.py", "published/test_plates.py"),
    "published/test_waves.py",
)


@pytest.hookimpl(tryfirst=True)  # before -m chooses
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    turns = {HERE / name: turn for turn, name in enumerate(LONGEST)}
    quick = {HERE / name for name in QUICK}
    for item in items:
        if item.path not in turns and not quick.isdisjoint((item.path, *item.path.parents)):
            item.add_marker("quick")
    items.sort(key=lambda item: turns.get(item.path, len(turns)))


@pytest.fixture(scope="session", autouse=True)
def _one_thread_for_matrices() -> Iterator[None]:
    """A worker runs on every core: threads of BLAS would wait for each other. Child processes keep theirs."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield
