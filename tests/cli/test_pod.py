import json

import pytest
from click.testing import CliRunner

from tapscan.cli import main
from tapscan.synth.fleet import fleet
from tapscan.synth.folder import write_inspection


@pytest.fixture(scope="module")
def parts(tmp_path_factory):
    root = tmp_path_factory.mktemp("parts")
    for name, files in fleet(3, tapped=False):
        write_inspection(root / name, files)
    return root


def run(*arguments):
    return CliRunner().invoke(main, ["pod", *map(str, arguments)])


def test_a_folder_of_parts(parts, tmp_path):
    result = run(parts, "--to", tmp_path / "pod")
    assert result.exit_code == 0
    assert "3 sectioned parts" in result.stdout
    assert "Clear is not proof of soundness." in result.stdout
    assert {path.name for path in (tmp_path / "pod").iterdir()} == {"pod.html", "pod.json", "pod.png"}
    assert not list(parts.glob("*/results"))


def test_several_parts_write_nothing_unasked(parts):
    result = run(parts / "part-001", parts / "part-002")
    assert "For picture, page and numbers: --to FOLDER" in result.stdout
    assert not list(parts.glob("*/results"))


def test_one_part_writes_into_its_results(parts):
    result = run(parts / "part-003")
    assert (parts / "part-003/results/pod.html").is_file()
    assert "1 sectioned part\n" in result.stdout


def test_as_json(parts):
    document = json.loads(run(parts, "--json").stdout)
    by_method = {one["method"]: one for one in document["studies"]}
    assert by_method["ascan"]["defects_found"]["of"] == 3
    assert by_method["tap"]["defects_unread"] == 3
    assert document["page"] is None


def test_no_findings_at_all(parts, tmp_path):
    write_inspection(
        tmp_path / "part", {"inspection.toml": (parts / "part-001/inspection.toml").read_bytes()}
    )
    result = run(tmp_path / "part")
    assert result.exit_code == 1
    last = result.stderr.splitlines()[-1]
    assert "part: no findings that any reading can be compared with (log what cutting showed" in last


def test_nothing_named_is_wrong_usage():
    assert run().exit_code == 2


def test_help_shows_an_example():
    assert "tapscan pod parts --to pod-parts" in run("--help").stdout
