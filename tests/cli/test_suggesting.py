import pytest
from click.testing import CliRunner

from tapscan.cli import main


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (["analyze", "my-part"], "there is no command 'analyze' (did you mean analyse?)"),
        (["gird"], "there is no command 'gird' (did you mean grid?)"),
        (["archive", "chek"], "there is no command 'chek' (did you mean check?)"),
        (["xyz"], "there is no command 'xyz' (see tapscan --help)"),
    ],
)
def test_a_misspelt_command_is_asked_about(words, answer):
    result = CliRunner().invoke(main, words, prog_name="tapscan")
    assert result.exit_code == 2
    assert answer in result.output


def test_all_mistakes_of_a_plan_are_printed_one_a_line(tmp_path):
    plan = '[part]\ndate = "soon"\n[[zone]]\ncode = "BM"\nshape = "tube"\nstations = 4\npositions = 0\n'
    (tmp_path / "inspection.toml").write_text(plan + "station_pitch_mm = 10.0\n")
    result = CliRunner().invoke(main, ["grid", str(tmp_path)])
    assert result.exit_code == 1
    lines = result.stderr.splitlines()
    assert len(lines) == 2
    assert lines[0].startswith("tapscan: inspection.toml: [part]: date = 'soon' is not a date (write")
    assert lines[1].startswith('tapscan: inspection.toml: zone "BM": positions = 0 is not accepted')
