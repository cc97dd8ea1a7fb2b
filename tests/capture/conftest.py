"""A small inspection to capture into."""

from pathlib import Path

import pytest

PLAN = """
[[zone]]
code = "BM"
shape = "tube"
stations = 4
positions = 6
station_pitch_mm = 10.0
girth_mm = 120.0
skip = ["02-05"]

[[zone]]
code = "PL"
shape = "panel"
stations = 1
positions = 2
station_pitch_mm = 10.0
position_pitch_mm = 20.0

[tap]
taps_per_point = 2
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = tmp_path / "my-part"
    root.mkdir()
    (root / "inspection.toml").write_text(PLAN, encoding="utf-8")
    return root
