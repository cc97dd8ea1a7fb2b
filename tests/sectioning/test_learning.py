"""What the saw showed of one part is what another of its kind is compared with."""

import numpy as np
import pytest

import tapscan
from tapscan.errors import TapscanError
from tapscan.screening.change.twins import good_points, marked_points
from tapscan.screening.known import Known
from tapscan.sectioning.findings.learning import known_from_cuts
from tapscan.synth import Defect
from tests.screening.parts import tapped, write_scanned, write_tapped
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
    """Compared with a like delamination that passes for good, it hides; the saw's finding brings it out."""
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
    (result,) = tapscan.analyse(now, [tapscan.open_inspection(tmp_path / "cut")]).screened
    assert suspects(result) == 0


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
        known_from_cuts(tapscan.open_inspection(folders / "cut"))
    (folders / "cut/findings.csv").unlink()
    assert known_from_cuts(tapscan.open_inspection(folders / "cut")).zones == {}


@pytest.fixture(scope="module")
def tubes(tmp_path_factory):
    """A tube that was tapped and cut, of another girth than the one that is inspected now."""
    root = tmp_path_factory.mktemp("shop")
    hurt = [Defect(70.0, 60.0, 16.0, 0.5)]
    write_tapped(root / "now", *tapped(hurt, seed=5))
    write_tapped(root / "cut", *tapped(hurt, seed=6))
    plan = root / "cut/inspection.toml"
    plan.write_text(
        plan.read_text(encoding="utf-8").replace("girth_mm = 120", "girth_mm = 150"), encoding="utf-8"
    )
    return root


def now_with(tubes, *lines):
    log(tubes / "cut", *lines)
    now, cut = (tapscan.open_inspection(tubes / name) for name in ("now", "cut"))
    return tapscan.analyse(now, [cut]), tapscan.analyse(now)


def test_what_the_saw_showed_retrains_the_damage_class_though_the_parts_are_not_alike(tubes):
    """Marks on damaged and sound points as they are: what was likely damaged becomes more so."""
    lines = "delamination,BM-07-06:08-08", "none,BM-02", "none,BM-12"
    taught, plain = now_with(tubes, *lines)
    assert taught.summary["prior_findings"] == {"sound_points": 24, "damaged_points": 6}
    assert plain.summary["prior_findings"] == {"sound_points": 0, "damaged_points": 0}
    assert taught.summary["run"] != plain.summary["run"]
    (zone,), (own,) = taught.screened, plain.screened
    words = "from simulated parts and from 24 sound and 6 damaged points of sectioned parts."
    assert zone.baseline == f"{own.baseline} What damage sounds like was learned {words}"
    likely, before = (one.features["damage_probability"] for one in (zone, own))
    assert not np.array_equal(likely, before, equal_nan=True)
    assert likely[6:8, 5:8].mean() > before[6:8, 5:8].mean()
    # The same findings teach the same.
    assert now_with(tubes, *lines)[0].tables == taught.tables


def test_findings_that_show_no_sound_point_teach_nothing_and_the_report_states_it(tubes):
    taught, plain = now_with(tubes, "delamination,BM-07-06:08-08", "wrinkle,BM-02-01")
    assert taught.summary["prior_findings"] == {"sound_points": 0, "damaged_points": 0}
    assert (
        "prior findings: show no sound point that was tapped; the damage class stays as trained on simulated "
        "parts (write down what each cut showed, and none where it was sound)"
    ) in taught.summary["warnings"]
    assert (taught.screened[0].score == plain.screened[0].score).all()
