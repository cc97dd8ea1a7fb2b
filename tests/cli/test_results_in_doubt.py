"""Every command that rests on results states when those do not belong to the inputs or to one run."""

import shutil

import pytest
from click.testing import CliRunner

from tapscan.cli import main
from tests.cli.test_analyse import part, undrawn  # noqa: F401 - fixtures

OTHER = "results: belong to other inputs than those that are there now (run: tapscan analyse"
MIXED = (
    "results: are not of one run: results/points.csv is not of the run that the others are of (run: tapscan"
)


def run(*words):
    result = CliRunner().invoke(main, list(map(str, words)))
    if not isinstance(result.exception, SystemExit | None):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.stderr


@pytest.fixture
def analysed(part, undrawn):  # noqa: ARG001, F811
    run("analyse", part)
    (part / "findings.csv").write_text("kind,where\nnone,BM-02\nvoid,BM-03-01\n", encoding="utf-8")
    return part


def other_inputs(folder):
    plan = folder / "inspection.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + "# looked at again\n", encoding="utf-8")


def two_runs(folder):
    (folder / "results/points.csv").write_text("of another run\n", encoding="utf-8")


def nothing(_):
    pass


CASES = pytest.mark.parametrize(
    ("spoil", "sentence"), [(other_inputs, OTHER), (two_runs, MIXED), (nothing, None)]
)


@CASES
def test_section(analysed, spoil, sentence):
    spoil(analysed)
    answer = run("section", analysed, "--json")
    assert (sentence or "") in answer
    assert sentence or "results:" not in answer


@CASES
def test_pod(analysed, spoil, sentence):
    spoil(analysed)
    answer = run("pod", analysed, "--json")
    assert (f"{analysed}, {sentence}" if sentence else "") in answer
    assert sentence or "results:" not in answer


@CASES
def test_compare(analysed, spoil, sentence, tmp_path):
    before = shutil.copytree(analysed, tmp_path / "before")
    spoil(analysed)
    answer = run("compare", before, analysed, "--json")
    assert (f"{analysed}, {sentence}" if sentence else "") in answer
    assert sentence or "results:" not in answer


@CASES
def test_archive(analysed, spoil, sentence, tmp_path):
    spoil(analysed)
    answer = run("archive", "add", analysed, "--archive", tmp_path / "archive")
    assert (sentence or "") in answer
    assert sentence or "results:" not in answer


def test_what_cutting_showed_is_named_when_it_rests_on_other_inputs(analysed):
    run("section", analysed, "--json")
    answer = run("analyse", analysed)
    assert "section.html" not in answer
    other_inputs(analysed)
    answer = run("analyse", analysed)
    assert (
        "results/section.html: rests on other inputs than those that are there now (run again: tapscan"
        in answer
    )
    assert (analysed / "results/section.html").is_file()
