"""A small inspection for the commands to work on."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

PLAN = """
[part]
name = "Left seat tube"

[[zone]]
code = "BM"
name = "Main boom"
shape = "tube"
stations = 5
positions = 6
station_pitch_mm = 10.0
girth_start_mm = 120.0
girth_end_mm = 100.0
skip = ["02-05"]

[[zone]]
code = "PL"
shape = "panel"
stations = 2
positions = 3
station_pitch_mm = 10.0
position_pitch_mm = 20.0
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = tmp_path / "my-part"
    (root / "taps").mkdir(parents=True)
    (root / "inspection.toml").write_text(PLAN, encoding="utf-8")
    return root


@pytest.fixture
def taps_wav() -> Callable[[Path, int], Path]:
    """Write a recording of so many points of three taps each, with a pause after every point."""

    def write(path: Path, points: int = 1) -> Path:
        path.parent.mkdir(exist_ok=True)
        rng = np.random.default_rng(points)
        sound = 1e-4 * rng.standard_normal(round((1 + 1.5 * points) * 24_000))
        ring_s = np.arange(2000) / 24_000
        for tap in range(3 * points):
            start = round((0.5 + 1.5 * (tap // 3) + 0.3 * (tap % 3)) * 24_000)
            pitch_hz = rng.uniform(2000, 4000)
            sound[start : start + 2000] += 0.4 * np.exp(-400 * ring_s) * np.sin(2 * np.pi * pitch_hz * ring_s)
        soundfile.write(str(path), sound, 24_000)
        return path

    return write
