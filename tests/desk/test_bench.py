"""What the desk hands out is of its own analysis, whoever wrote results/ meanwhile."""

from dataclasses import replace

import pytest

from tapscan.desk.bench import Analysed, Bench
from tapscan.records.writing import write_text
from tapscan.report import saving
from tests.report.fabricated import boom, results_of


@pytest.fixture
def bench(tmp_path, monkeypatch):
    def report(results, folder):
        write_text(folder / "report.html", results.summary["run"])

    monkeypatch.setattr(saving, "write_report", report)
    monkeypatch.setattr(saving, "write_marked", lambda *_: None)
    results = replace(results_of(boom(), folder=tmp_path), writer=saving.write_results)
    return Bench(tmp_path, analysed=Analysed(results, "", 1))


def test_what_is_there_is_not_written_twice(bench):
    bench.save("report.html")
    before = (bench.folder / "results/report.html").stat().st_ino
    bench.save("report.html")
    assert (bench.folder / "results/report.html").stat().st_ino == before
    assert bench.has_written(bench.analysed)


def test_a_paper_of_another_run_or_edited_is_written_anew(bench):
    bench.save("report.html")
    mine = (bench.folder / "results/report.html").read_text()
    other = bench.analysed.results
    replace(other, summary={**other.summary, "run": "0" * 64}).save()
    assert not bench.has_written(bench.analysed)
    bench.save("report.html")
    assert (bench.folder / "results/report.html").read_text() == mine
    (bench.folder / "results/report.html").write_text("edited")
    assert not bench.has_written(bench.analysed)
    bench.save("report.html")
    assert (bench.folder / "results/report.html").read_text() == mine


def test_the_short_report_is_drawn_alone_and_is_the_one_that_is_saved(tmp_path):
    results = replace(results_of(boom(), folder=tmp_path), writer=saving.write_results)
    bench = Bench(tmp_path, analysed=Analysed(results, "", 1))
    page = bench.short_report()
    assert not (tmp_path / "results").exists()
    bench.save("report_short.html")
    assert (tmp_path / "results/report_short.html").read_bytes() == page
    assert bench.short_report() is None


def test_results_that_are_gone_are_written_again(bench):
    bench.save("report.html")
    (bench.folder / "results/manifest.json").unlink()
    assert not bench.has_written(bench.analysed)
    bench.save("points.csv")
    assert bench.has_written(bench.analysed)
