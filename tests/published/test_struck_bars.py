"""Real struck bars of known pitch, from the Debian package freepats (GPL-2), fetched when the test runs.

Nothing of it is kept. Note 60 of its table is 261.6 Hz, so A4 is 439.96 Hz, a fifth of a cent off 440. The
search runs over the whole band, and the margin, ±50 cents, was set before anything was measured: half a
semitone, beyond which a bar would be another note. The glockenspiel has odd rates, as if it was tuned by
resampling: its agreement is partly circular. Overtone of a marimba bar: 4 times the fundamental
(HyperPhysics, a public page).

`TAPSCAN_REQUIRE_BARS=1` turns a package that cannot be had into a failure.
"""

import os
import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest

from tapscan.signals import fit_modes, tap_features

SIGNED_16_BIT, UNSIGNED = 1, 2


@pytest.fixture(scope="module")
def tones(tmp_path_factory):
    folder = tmp_path_factory.mktemp("freepats")
    try:
        if not shutil.which("apt-get") or not shutil.which("dpkg"):
            raise FileNotFoundError(2, "no such program", "apt-get or dpkg")
        subprocess.run(
            ["apt-get", "download", "freepats"], cwd=folder, check=True, capture_output=True, timeout=120
        )
        package = next(folder.glob("freepats_*.deb"))
        subprocess.run(
            ["dpkg", "-x", package.name, "."], cwd=folder, check=True, capture_output=True, timeout=120
        )
    except (OSError, subprocess.SubprocessError, StopIteration) as error:
        if os.environ.get("TAPSCAN_REQUIRE_BARS"):
            pytest.fail(f"the package freepats cannot be had here: {error}")
        pytest.skip(f"the Debian package freepats cannot be had here: {error}")
    return folder / "usr/share/midi/freepats/Tone_000"


def bars(path: Path):
    """Yield (samples, rate_hz, pitch_hz) of every sample of a GUS patch file."""
    data = path.read_bytes()
    count, place = data[198], 239
    for _ in range(count):
        size, rate_hz = (
            struct.unpack_from("<I", data, place + 8)[0],
            struct.unpack_from("<H", data, place + 20)[0],
        )
        root_mhz, kind = struct.unpack_from("<I", data, place + 30)[0], data[place + 55]
        raw = data[place + 96 : place + 96 + size]
        if kind & SIGNED_16_BIT:
            sound = np.frombuffer(raw, "<u2" if kind & UNSIGNED else "<i2").astype(np.float64)
            sound = (sound - (32768 if kind & UNSIGNED else 0)) / 32768
        else:
            sound = np.frombuffer(raw, "u1" if kind & UNSIGNED else "i1").astype(np.float64)
            sound = (sound - (128 if kind & UNSIGNED else 0)) / 128
        yield sound, float(rate_hz), root_mhz / 1000
        place += 96 + size


def cents(found_hz, pitch_hz):
    return 1200 * np.log2(found_hz / pitch_hz)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "expected"), [("013_Xylophone", 12), ("009_Glockenspiel", 5)])
def test_every_bar_sounds_its_note_over_the_whole_band(tones, name, expected):
    found = []
    for sound, rate_hz, pitch_hz in bars(tones / f"{name}.pat"):
        features = tap_features(sound[None], rate_hz, band_hz=(60.0, 0.45 * rate_hz))
        found.append(cents(features.peak_hz[0], pitch_hz))
    assert len(found) == expected  # four marimba and eight xylophone bars share a file
    assert np.abs(found).max() <= 50


@pytest.mark.slow
def test_peaks_and_decays_keep_the_values_first_measured(tones):
    """Regression: dominant frequencies, and the damping order ζ .0022 to .0046, of the four marimba bars."""
    for (sound, rate_hz, _), dominant_hz in zip(
        bars(tones / "013_Xylophone.pat"), (138.807, 186.016, 208.540, 263.271), strict=False
    ):
        features = tap_features(sound[None], rate_hz, band_hz=(60.0, 0.45 * rate_hz))
        assert features.peak_hz[0] == pytest.approx(dominant_hz, rel=2.5e-3)
        assert 0.001 < features.damping_ratio[0] < 0.008


@pytest.mark.slow
def test_a_marimba_bar_has_its_overtone_two_octaves_up(tones):
    """One rule for all four: peaks 15 dB over the running median from 1.5 to 6 times the fundamental."""
    from scipy.ndimage import median_filter

    for sound, rate_hz, _ in list(bars(tones / "013_Xylophone.pat"))[:4]:
        power = 20 * np.log10(np.abs(np.fft.rfft(sound)) + 1e-12)
        frequency_hz = np.fft.rfftfreq(len(sound), 1 / rate_hz)
        fundamental_hz = tap_features(sound[None], rate_hz, band_hz=(60.0, 0.45 * rate_hz)).peak_hz[0]
        inside = (frequency_hz > 1.5 * fundamental_hz) & (frequency_hz < 6 * fundamental_hz)
        over = power - median_filter(power, 301)
        top = (
            np.flatnonzero(
                inside[1:-1] & (power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:]) & (over[1:-1] > 15)
            )
            + 1
        )
        nearest = frequency_hz[top][np.argmin(np.abs(frequency_hz[top] / fundamental_hz - 4))]
        around = (nearest - 0.2 * fundamental_hz, nearest + 0.2 * fundamental_hz)
        overtone_hz = tap_features(sound[None], rate_hz, band_hz=around).peak_hz[0]
        assert overtone_hz / fundamental_hz == pytest.approx(4, rel=0.005)


@pytest.mark.slow
def test_modes_of_real_bars_agree_with_the_spectrum(tones):
    for sound, rate_hz, pitch_hz in list(bars(tones / "013_Xylophone.pat"))[4:8]:
        fits = fit_modes(sound[None, : round(0.1 * rate_hz)], rate_hz, 2)
        nearest = np.nanmin(np.abs(cents(fits.frequency_hz[0], pitch_hz)))
        assert nearest <= 50
