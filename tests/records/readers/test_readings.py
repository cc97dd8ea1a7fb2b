from pathlib import Path

import pytest

from tapscan.records.readers.readings import file_name


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("my-part/taps/BM-07-05.wav", "taps/BM-07-05.wav"),
        ("/home/me/my-part/taps/BM-07-05.wav", "taps/BM-07-05.wav"),
        ("BM-07-05.wav", "BM-07-05.wav"),
        ("/stick/walk.wav", "/stick/walk.wav"),
        ("taps/über.wav", "taps/über.wav"),
        ("taps/a\nb\x1b[2J.wav", r"taps/a\nb\x1b[2J.wav"),
        ("taps/\udcff.wav", r"taps/\udcff.wav"),
    ],
)
def test_a_file_is_named_with_its_folder_and_fit_for_a_terminal(path, name):
    assert file_name(Path(path)) == name
