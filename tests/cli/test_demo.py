import json

from click.testing import CliRunner

from tapscan.cli import main
from tapscan.proving import demo as proving_demo
from tapscan.sectioning import demo as sectioning_demo
from tapscan.synth import demo


def run(*arguments):
    return CliRunner().invoke(main, ["demo", *map(str, arguments)])


def test_demo_is_written_and_what_is_next_is_said(tmp_path):
    result = run(tmp_path / "part")
    assert result.exit_code == 0
    assert "a synthetic inspection of an invented part" in result.stdout
    assert f"Next: tapscan analyse {tmp_path / 'part'}" in result.stdout
    written = {p.relative_to(tmp_path / "part").as_posix() for p in (tmp_path / "part").rglob("*.*")}
    cut = {"photos/cut-SP-10.png", "photos/cut-SP-10.measured.json"}
    assert {"inspection.toml", "ascans/SP.npy", "taps/BM-01-01.wav", *cut} < written
    assert not any("truth" in name for name in written)


def test_an_archive_of_parts(tmp_path, monkeypatch):
    from tapscan.synth import fleet

    parts = [(f"part-{n:03d}", {"inspection.toml": b"four", "findings.csv": b"six"}) for n in (1, 2)]
    monkeypatch.setattr(fleet, "fleet", lambda count: parts[:count])
    result = run(tmp_path / "many", "--parts", 2)
    assert result.exit_code == 0
    assert "2 synthetic inspections of invented parts, 4 files" in result.stdout
    assert f"Next: tapscan pod {tmp_path / 'many'} --to {tmp_path / 'many'}-pod" in result.stdout
    assert (tmp_path / "many/part-002/findings.csv").read_bytes() == b"six"


def test_as_json(tmp_path, monkeypatch):
    monkeypatch.setattr(demo, "demo_files", lambda _progress: {"inspection.toml": b"four"})
    monkeypatch.setattr(proving_demo, "setup_files", lambda _files: {})
    monkeypatch.setattr(sectioning_demo, "cut_files", lambda _files: {})
    result = run(tmp_path, "--json")
    expected = {"folder": str(tmp_path), "files": 1, "bytes": 4, "synthetic": True}
    assert json.loads(result.stdout) == expected


def test_a_used_folder_is_refused_before_any_work(tmp_path, monkeypatch):
    (tmp_path / "mine.txt").touch()
    monkeypatch.setattr(demo, "demo_files", lambda _progress: 1 / 0)
    result = run(tmp_path)
    assert result.exit_code == 1
    expected = f"tapscan: {tmp_path}: is not empty, nothing was written (name a new or empty folder)\n"
    assert result.stderr == expected


def test_help_shows_an_example():
    result = run("--help")
    assert result.exit_code == 0
    assert "tapscan demo my-demo" in result.stdout
