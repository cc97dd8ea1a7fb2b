"""What the saw showed of one part is what another of its kind is held against."""

import numpy as np
import pytest

import tapscan
from tapscan.errors import TapscanError
from tapscan.screening.known import Known
from tapscan.screening.twins import good_points, marked_points
from tapscan.sectioning.learning import learnt_from
from tapscan.synth import Defect
from tests.screening.parts import write_scanned
from tests.sectioning.conftest import at

# Under single points, and small: each takes most of the beam and leaves some of the back wall.
BOTH = [Defect(4.0 * i - 2.0, 4.0 * (p - 1), 3.0, 0.8) for i, p in ((5, 4), (8, 12), (12, 6), (16, 9))]
PLACES = ("SP-05-04", "SP-08-12", "SP-12-06", "SP-16-09")


def log(folder, *lines):
    (folder / "findings.csv").write_text(
        "kind,where\n" + "".join(f"{line}\n" for line in lines), encoding="utf-8"
    )


def test_cutting_counts_before_readings_and_plan(screened):
    zone = screened(lone=["BM-02-02", "BM-03-03"], unread=["BM-04-04"])
    zone.is_reference[at("BM-05-05")] = zone.is_reference[at("BM-03-03")] = True
    good, bad = (np.zeros(zone.status.shape, dtype=bool) for _ in range(2))
    good[at("BM-02-02")] = good[at("BM-04-04")] = True
    bad[at("BM-05-05")] = bad[at("BM-06-06")] = True
    known = Known(good, bad, bad)
    expected = {
        "BM-01-01": (True, True),  # clear, and nobody cut there
        "BM-02-02": (False, True),  # suspect, and sound when cut
        "BM-03-03": (True, True),  # suspect, and marked as good in the plan
        "BM-04-04": (False, False),  # sound when cut, but there is no reading to learn from
        "BM-05-05": (True, False),  # marked as good in the plan, and the saw says otherwise
        "BM-06-06": (True, False),  # clear, and the saw says otherwise
    }
    for name, (without, with_it) in expected.items():
        assert bool(good_points(zone)[at(name)]) == without
        assert bool(good_points(zone, known)[at(name)]) == with_it
    assert not marked_points(zone, known)[at("BM-05-05")]
    assert marked_points(zone, known)[at("BM-02-02")]


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Two parts with the same delamination; in the older one's plan it was marked as good by mistake."""
    root = tmp_path_factory.mktemp("learn")
    write_scanned(root / "cut", BOTH, seed=3, extra='reference = ["05-04", "08-12", "12-06", "16-09"]')
    write_scanned(root / "now", BOTH, seed=4)
    return root


def suspects(screened):
    return sum(screened.status[at(place)] == "suspect" for place in PLACES)


def now_against_cut(folders):
    cut, now = (tapscan.open_inspection(folders / name) for name in ("cut", "now"))
    return tapscan.analyse(now, [cut])


def test_a_known_bad_point_is_no_example_of_good(folders):
    """Held against a like delamination that passes for good, it hides; the saw's finding brings it out."""
    (folders / "cut/findings.csv").unlink(missing_ok=True)
    (fooled,) = now_against_cut(folders).screened
    assert suspects(fooled) == 0
    log(folders / "cut", "delamination,SP-05-04 SP-08-12 SP-12-06 SP-16-09", "none,SP-02")
    results = now_against_cut(folders)
    (wiser,) = results.screened
    assert suspects(wiser) == 4
    assert "(cut since: 16 points known to be good, 4 known not to be)" in wiser.baseline
    assert "findings.csv" in results.summary["against"][0]["inputs"]


def test_a_known_good_point_is_one_though_it_was_called_suspect(folders, tmp_path):
    """A repair that echoes like a delamination: cut and found sound on one part, it is usual on the next."""
    write_scanned(tmp_path / "cut", BOTH, seed=3)
    log(tmp_path / "cut", "none,SP-01:20")
    now = tapscan.open_inspection(folders / "now")
    (alone,) = tapscan.analyse(now).screened
    assert suspects(alone) == 4
    (told,) = tapscan.analyse(now, [tapscan.open_inspection(tmp_path / "cut")]).screened
    assert suspects(told) == 0


def test_its_own_findings_change_nothing(folders):
    now = folders / "now"
    (now / "findings.csv").unlink(missing_ok=True)
    before = tapscan.analyse(tapscan.open_inspection(now)).tables
    log(now, "none,SP-06-04:08-06")
    assert tapscan.analyse(tapscan.open_inspection(now)).tables == before
    (now / "findings.csv").unlink()


def test_wrong_findings_are_named_with_their_inspection(folders):
    log(folders / "cut", "delaminatoin,SP-06-04")
    with pytest.raises(TapscanError, match=r"cut, findings\.csv: line 2, column kind"):
        learnt_from(tapscan.open_inspection(folders / "cut"))
    (folders / "cut/findings.csv").unlink()
    assert learnt_from(tapscan.open_inspection(folders / "cut")).zones == {}
