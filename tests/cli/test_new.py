import json
import subprocess
import sys

from click.testing import CliRunner

from tapscan.cli import main
from tapscan.plan.text.template import PLAN_TEMPLATE


def test_it_starts_an_inspection_and_says_what_comes_next(tmp_path):
    folder = tmp_path / "my-part"
    result = CliRunner().invoke(main, ["new", str(folder)])
    assert result.exit_code == 0
    assert result.stdout == (
        f"Wrote {folder / 'inspection.toml'}: fill in what is 0 or ?, then run: tapscan grid {folder}\n"
    )
    assert (folder / "inspection.toml").read_text(encoding="utf-8") == PLAN_TEMPLATE


def test_the_command_to_run_next_can_be_pasted(tmp_path):
    folder = tmp_path / "left seat tube"
    assert CliRunner().invoke(main, ["new", str(folder)]).stdout.endswith(f"tapscan grid '{folder}'\n")


def test_json(tmp_path):
    folder = tmp_path / "my-part"
    result = CliRunner().invoke(main, ["new", str(folder), "--json"])
    assert json.loads(result.stdout) == {"folder": str(folder), "plan": str(folder / "inspection.toml")}


def test_a_plan_that_is_there_stays(tmp_path):
    (tmp_path / "inspection.toml").write_text("mine", encoding="utf-8")
    result = CliRunner().invoke(main, ["new", str(tmp_path)])
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr == (
        f"tapscan: {tmp_path}: holds an inspection.toml already (edit that one, or name another folder)\n"
    )
    assert (tmp_path / "inspection.toml").read_text(encoding="utf-8") == "mine"


def test_as_a_program(tmp_path):
    command = [sys.executable, "-m", "tapscan", "new", "my-part"]
    for status in (0, 1):
        run = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert run.returncode == status
        assert "Traceback" not in run.stderr
    assert (tmp_path / "my-part" / "inspection.toml").is_file()
