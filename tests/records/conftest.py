"""A small inspection to put good and bad files into."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

PLAN = """
[tap]
taps_per_point = 3

[ascan]
sample_rate_mhz = 100.0

[[zone]]
code = "BM"
shape = "tube"
stations = 5
positions = 6
station_pitch_mm = 10.0
girth_mm = 120.0
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
    for name in ("taps", "ascans"):
        (root / name).mkdir(parents=True)
    (root / "inspection.toml").write_text(PLAN, encoding="utf-8")
    return root


@pytest.fixture
def tap_file() -> Callable[..., Path]:
    """Write a recording of one ring whose pitch identifies the file."""

    def write(path: Path, pitch_hz: float = 3000.0, subtype: str = "PCM_16") -> Path:
        time_s = np.arange(4800) / 48_000
        ring = 0.5 * np.exp(-time_s / 0.01) * np.sin(2 * np.pi * pitch_hz * time_s)
        soundfile.write(str(path), ring, 48_000, subtype=subtype)
        return path

    return write


@pytest.fixture
def trace_file() -> Callable[..., Path]:
    def write(path: Path, height: float = 1.0) -> Path:
        rows = "".join(f"{i * 0.01:.2f},{height * (i % 7)}\n" for i in range(50))
        path.write_text("time_us,amplitude\n" + rows, encoding="utf-8")
        return path

    return write
