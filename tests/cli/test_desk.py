import sys

import pytest
from click.testing import CliRunner

import tapscan
from tapscan.cli import main
from tapscan.desk.web import serving


@pytest.fixture
def opened(monkeypatch):
    """The browser and the server stand still; what they were given is kept."""
    kept = {}
    monkeypatch.setattr("click.launch", lambda url: kept.update(browser=url))

    def serve(folder, door, listener, ready):
        ready()
        listener.close()
        kept.update(folder=folder, door=door)

    monkeypatch.setattr(serving, "serve", serve)
    return kept


def run(*words):
    return CliRunner().invoke(main, ["desk", *map(str, words)])


def test_the_address_with_its_token_is_printed_and_opened(folder, opened):
    result = run(folder)
    assert result.exit_code == 0
    door = opened["door"]
    assert f"The desk is open at http://127.0.0.1:{door.port}/?token={door.token}\n" in result.output
    assert "not proof of soundness" in result.output
    assert opened["browser"] == door.url
    assert result.stderr == ""


def test_no_browser_is_opened_when_none_is_wanted(folder, opened):
    assert run(folder, "--no-browser", "--port", "0").exit_code == 0
    assert "browser" not in opened


def test_listening_to_the_network_carries_a_warning(folder, opened, tmp_path, monkeypatch):
    monkeypatch.setattr("tapscan.desk.web.certificates.settings_folder", lambda: tmp_path / "settings")
    result = run(folder, "--listen", "0.0.0.0", "--no-browser")
    assert (
        "anyone on this network who learns that address can read and change this inspection" in result.stderr
    )
    assert opened["door"].address == "0.0.0.0"


def test_a_folder_that_is_no_inspection_is_reported_before_a_page_opens(tmp_path, opened):
    result = run(tmp_path)
    assert result.exit_code == 1
    assert "holds no inspection.toml" in result.stderr
    assert opened == {}


def test_what_is_not_installed_is_named_with_the_command_that_installs_it(folder, monkeypatch):
    # The desk is imported once more below; afterwards the package has its own again.
    monkeypatch.setattr(tapscan, "desk", tapscan.desk)
    for name in [name for name in sys.modules if name.startswith(("tapscan.desk", "uvicorn"))]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    result = run(folder)
    assert result.exit_code == 1
    assert result.stderr == (
        "tapscan: tapscan desk: needs uvicorn, which is not installed (run: pip install 'tapscan[desk]')\n"
    )
