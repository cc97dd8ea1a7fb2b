import pytest
from click.testing import CliRunner

from tapscan.cli import main
from tapscan.errors import TapscanError, nearest, sentence


def test_an_error_reads_as_place_problem_and_way_out():
    error = TapscanError("taps/BM-07-05.wav", "holds no sound", "record the point again")
    assert str(error) == "taps/BM-07-05.wav: holds no sound (record the point again)"
    assert str(error) == sentence(error.where, error.what, error.remedy)
    with pytest.raises(
        TapscanError, match=r"^taps/BM-07-05\.wav: holds no sound \(record the point again\)$"
    ):
        raise error


def test_the_nearest_word():
    assert nearest("girht_mm", ["stations", "girth_mm"]) == "girth_mm"
    assert nearest("colour", ["stations", "girth_mm"]) is None
    assert nearest("", []) is None


def run_with(monkeypatch, error):
    def broken(_folder, **_how):
        raise error

    monkeypatch.setattr("tapscan.cli.new.start_inspection", broken)
    return CliRunner().invoke(main, ["new", "my-part"])


def test_what_the_user_can_mend_is_one_line_and_status_1(monkeypatch):
    result = run_with(monkeypatch, TapscanError("my-part", "is a file", "name a folder"))
    assert result.exit_code == 1
    assert result.stderr == "tapscan: my-part: is a file (name a folder)\n"
    assert result.stdout == ""


def test_memory_and_interruption_are_reported_in_a_line(monkeypatch):
    result = run_with(monkeypatch, MemoryError())
    assert (result.exit_code, result.stderr.count("\n")) == (1, 1)
    assert result.stderr.startswith("tapscan: out of memory")
    result = run_with(monkeypatch, KeyboardInterrupt())
    assert result.exit_code == 130
    assert result.stderr.startswith("tapscan: stopped")


def test_a_bug_shows_as_a_bug(monkeypatch):
    result = run_with(monkeypatch, ZeroDivisionError("division by zero"))
    assert isinstance(result.exception, ZeroDivisionError)


@pytest.mark.parametrize("words", [["fly"], ["grid"], ["grid", "a", "b"], ["new", "--colour"], ["--colour"]])
def test_wrong_usage_is_status_2(words):
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 2
    assert "Usage: " in result.stderr


@pytest.mark.parametrize("command", ["new", "grid", "add", "analyse", "demo"])
def test_every_command_has_help_with_an_example(command):
    result = CliRunner().invoke(main, [command, "--help"])
    assert result.exit_code == 0
    assert f"Example:  tapscan {command} " in result.stdout
    assert "--json" in result.stdout


def test_the_first_help_lists_every_command():
    result = CliRunner().invoke(main, ["--help"])
    assert result.exit_code == 0
    for command in ("new", "grid", "add", "analyse", "demo"):
        assert f"  {command} " in result.stdout
