"""The README's words are run, so that they cannot drift from what the program does."""

import re
import shutil
from pathlib import Path

import pytest

from tapscan.cli import COMMANDS

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language):
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.DOTALL)


def test_two_shell_commands_one_line_each_and_ci_runs_the_second():
    first, second = (block.strip() for block in blocks("sh"))
    assert "\n" not in first + second
    assert first.endswith("tapscan analyse recordings_demo")
    assert "[tests]" in second
    assert second.endswith("pytest")
    assert r"/^python3 -m venv .*\[tests\]/p" in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_commands_named_exist():
    named = set(re.findall(r"`tapscan ([a-z]+) ", README))
    assert named
    assert named <= set(COMMANDS)


def test_python_example_runs_on_the_demo(tmp_path, monkeypatch, capsys):
    (example,) = blocks("python")
    shutil.copytree(ROOT / "recordings_demo", tmp_path / "my-part", ignore=shutil.ignore_patterns("results"))
    monkeypatch.chdir(tmp_path)
    exec(compile(example, "README.md", "exec"), {})
    assert "BM-T1" in capsys.readouterr().out
    assert (tmp_path / "my-part/results/report.html").is_file()


@pytest.mark.parametrize("caution", ["proof of soundness", "respirator", "qualified inspection", "suspicion"])
def test_cautions_are_in_the_readme(caution):
    assert caution in README
