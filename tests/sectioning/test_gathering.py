import shutil

import pytest

from tapscan.errors import TapscanError
from tapscan.sectioning.pod.gathering import baseline_warning, gather, inspections_in, is_in_bag
from tapscan.sectioning.pod.study import study
from tapscan.sectioning.pod.trials import trials_of
from tapscan.synth.fleet import fleet
from tapscan.synth.folder import write_inspection


@pytest.fixture(scope="module")
def parts(tmp_path_factory):
    """Two simulated parts, scanned only: that is quick."""
    root = tmp_path_factory.mktemp("parts")
    for name, files in fleet(2, tapped=False):
        write_inspection(root / name, files)
    return root


def test_inspections_are_found_alone_in_a_folder_and_in_bags(parts, tmp_path):
    assert [one.name for one in inspections_in([parts])] == ["part-001", "part-002"]
    assert inspections_in([parts / "part-002"]) == [parts / "part-002"]
    bags = tmp_path / "archive"
    shutil.copytree(parts / "part-001", bags / "first" / "data")
    (bags / "notes.txt").touch()
    assert inspections_in([bags]) == [bags / "first" / "data"]
    assert gather(inspections_in([bags])).parts[0][0] == "first"


def test_of_several_archived_versions_the_newest_counts(parts, tmp_path):
    for name in ("trike@9", "trike@10", "other@1", ".half-written"):
        shutil.copytree(parts / "part-001", tmp_path / name / "data")
        (tmp_path / name / "bagit.txt").touch()
    found = inspections_in([tmp_path])
    assert [one.parent.name for one in found] == ["other@1", "trike@10"]
    assert is_in_bag(found[0])
    assert not is_in_bag(parts / "part-001")


def test_what_is_no_inspection_or_named_twice(parts, tmp_path):
    with pytest.raises(TapscanError, match=r"holds no inspection\.toml, neither itself nor in its folders"):
        inspections_in([tmp_path])
    with pytest.raises(TapscanError, match="is named twice"):
        inspections_in([parts, parts / "part-001"])


def test_results_compared_with_others_are_reported(parts, tmp_path):
    shutil.copytree(parts / "part-001", tmp_path / "part")
    assert baseline_warning(tmp_path / "part") == ""
    (tmp_path / "part/results").mkdir()
    summary = tmp_path / "part/results/summary.json"
    for text, others, is_warned in (
        ('{"against": [{"folder": "last-year"}]}', 0, True),
        ('{"against": [{"folder": "last-year"}]}', 1, False),
        ('{"against": []}', 1, True),
        ('{"against": []}', 0, False),
        ("{}", 0, False),
        ("not json", 0, False),
    ):
        summary.write_text(text, encoding="utf-8")
        assert bool(baseline_warning(tmp_path / "part", others)) == is_warned
    summary.write_text('{"against": [{"folder": "last-year"}]}', encoding="utf-8")
    assert "were compared with last-year, and are now" in gather([tmp_path / "part"]).warnings[0]


def test_parts_without_findings_are_left_out_and_named(parts, tmp_path):
    shutil.copytree(parts, tmp_path / "some")
    (tmp_path / "some/part-002/findings.csv").unlink()
    seen = []
    gathered = gather(inspections_in([tmp_path / "some"]), lambda done, total: seen.append((done, total)))
    assert [name for name, _ in gathered.parts] == ["part-001"]
    assert "part-002: has no findings.csv and was left out" in gathered.warnings[0]
    assert seen[-1] == (2, 2)


def test_a_wrong_table_is_named_with_its_part(parts, tmp_path):
    shutil.copytree(parts / "part-001", tmp_path / "part")
    (tmp_path / "part/findings.csv").write_text("kind,where\nvoid,XX-01-01\n", encoding="utf-8")
    with pytest.raises(TapscanError, match=r"part, findings\.csv: line 2, column where: 'XX-01-01'"):
        gather([tmp_path / "part"])


def test_a_wrong_plan_is_named_with_its_part(parts, tmp_path):
    shutil.copytree(parts / "part-001", tmp_path / "part")
    (tmp_path / "part/inspection.toml").write_text("[[zone]]\n", encoding="utf-8")
    with pytest.raises(TapscanError, match=r"part, inspection\.toml: "):
        gather([tmp_path / "part"])


def test_trials_of_real_folders(parts):
    trials = {one.method: one for one in trials_of(gather(inspections_in([parts])).parts)}
    assert trials["ascan"].size_mm.size == 2
    assert trials["ascan"].sound_score.size > 200
    assert trials["tap"].unread == 2  # the tubes were planned, and never tapped


@pytest.mark.slow
def test_pod_over_sixty_simulated_parts(tmp_path):
    """Scanned panels, 60 of them: what is learned is what the simulator's beam of 5 mm is good for.

    Nothing below 5 mm is found and everything above: a step has no curve.
    """
    for name, files in fleet(60, tapped=False):
        write_inspection(tmp_path / name, files)
    gathered = gather(inspections_in([tmp_path]))
    result = {one.trials.method: one for one in map(study, trials_of(gathered.parts))}["ascan"]
    # Half of the beam falls on a delamination as wide as the beam.
    size_mm, is_hit = result.trials.size_mm, result.trials.is_hit
    assert 4.0 < size_mm[~is_hit].max() < size_mm[is_hit].min() < 6.5
    assert not result.curves
    assert result.why_no_curve == (
        "every defect from 5.29 mm up was found and every one up to 4.9 mm was missed"
    )
    assert any(4.0 < one.from_mm < 6.5 for one in result.exact)
    assert result.false_calls.high < 0.01
    assert result.better.is_sure  # small ones return too little for the 6 dB rule, and stand out all the same
    assert not any("few" in limit for limit in result.limits)
