"""A folder replaced as a whole, on systems that can exchange two names and on those that cannot."""

import os
import subprocess
import sys
import threading

import pytest

import tapscan.records.swapping as swapping
from tapscan.records.swapping import put_back, replaced_folder

CAN = [True, False]


@pytest.fixture(params=CAN, ids=["exchange", "two renames"])
def place(request, tmp_path, monkeypatch):
    """A folder with something in it, on either kind of system."""
    if not request.param:
        monkeypatch.setattr(swapping, "exchanged", lambda *_: False)
    (tmp_path / "results").mkdir()
    (tmp_path / "results/old.txt").write_text("old")
    return tmp_path / "results"


def held_by(folder):
    return sorted(path.name for path in folder.parent.iterdir())


def replace(folder, name="new.txt", error=None):
    with replaced_folder(folder) as building:
        (building / name).write_text("new")
        if error is not None:
            raise error


def test_the_new_folder_takes_the_old_one_s_place_and_nothing_is_left(place):
    replace(place)
    assert [path.name for path in place.iterdir()] == ["new.txt"]
    assert held_by(place) == ["results"]
    assert place.stat().st_mode & 0o777 == 0o755


def test_a_first_folder(tmp_path):
    replace(tmp_path / "results")
    assert held_by(tmp_path / "results") == ["results"]


@pytest.mark.parametrize("error", [OSError(28, "full"), KeyboardInterrupt(), MemoryError()])
def test_whatever_breaks_off_leaves_the_old_folder(place, error):
    with pytest.raises(type(error)):
        replace(place, error=error)
    assert [path.name for path in place.iterdir()] == ["old.txt"]
    assert held_by(place) == ["results"]


def test_a_folder_that_cannot_be_renamed_stays(place, monkeypatch):
    """As on Windows, where a table that is open in a spreadsheet holds its folder."""
    monkeypatch.setattr(swapping, "exchanged", lambda *_: False)
    rename = type(place).rename

    def refuse(path, target):
        if path == place or target == place:
            raise PermissionError(13, "Access is denied", str(path))
        return rename(path, target)

    monkeypatch.setattr(type(place), "rename", refuse)
    with pytest.raises(PermissionError):
        replace(place)
    assert [path.name for path in place.iterdir()] == ["old.txt"]


def test_the_old_folder_comes_back_when_the_new_one_cannot_take_its_name(place, monkeypatch):
    monkeypatch.setattr(swapping, "exchanged", lambda *_: False)
    rename = type(place).rename

    def refuse(path, target):
        if target == place and "before" not in path.name:
            raise OSError(5, "Input/output error")
        return rename(path, target)

    monkeypatch.setattr(type(place), "rename", refuse)
    with pytest.raises(OSError, match="Input/output"):
        replace(place)
    assert [path.name for path in place.iterdir()] == ["old.txt"]
    assert held_by(place) == ["results"]


def test_a_program_killed_between_the_two_renames_leaves_the_old_folder_to_be_put_back(place):
    place.rename(place.with_name(".results.before.part"))
    put_back(place)
    assert [path.name for path in place.iterdir()] == ["old.txt"]
    assert held_by(place) == ["results"]


def test_the_next_run_puts_back_what_was_set_aside_before_it_begins(place):
    place.rename(place.with_name(".results.before.part"))
    with pytest.raises(OSError, match="full"):
        replace(place, error=OSError(28, "full"))
    assert [path.name for path in place.iterdir()] == ["old.txt"]


def test_what_was_set_aside_never_takes_the_place_of_anything(place):
    aside = place.with_name(".results.before.part")
    aside.mkdir()
    put_back(place)
    assert [path.name for path in place.iterdir()] == ["old.txt"]
    replace(place)
    assert held_by(place) == ["results"]


def test_what_a_killed_program_left_goes_with_the_next_run(place):
    code = (
        "import os, sys; from pathlib import Path\n"
        "from tapscan.records.swapping import replaced_folder\n"
        "with replaced_folder(Path(sys.argv[1])) as building:\n"
        "    (building / 'half.txt').write_text('half'); os._exit(9)\n"
    )
    for _ in range(3):
        subprocess.run([sys.executable, "-c", code, str(place)], check=False)
    assert [path.name for path in place.iterdir()] == ["old.txt"]
    replace(place)
    assert held_by(place) == ["results"]


def test_a_link_to_a_folder_is_replaced_and_what_it_names_stays(place):
    place.rename(place.with_name("elsewhere"))
    place.symlink_to("elsewhere")
    replace(place)
    assert not place.is_symlink()
    assert [path.name for path in place.iterdir()] == ["new.txt"]
    assert [path.name for path in (place.parent / "elsewhere").iterdir()] == ["old.txt"]


def test_two_programs_at_once_take_turns(place):
    inside, most = [], []

    def work(number):
        with replaced_folder(place) as building:
            inside.append(number)
            most.append(len(inside))
            (building / f"{number}.txt").write_text("new")
            for path in place.iterdir():
                os.link(path, building / path.name)
            inside.remove(number)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert max(most) == 1
    assert len(list(place.iterdir())) == 9  # nobody lost what another had just written
