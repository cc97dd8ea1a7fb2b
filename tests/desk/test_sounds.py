import io

import numpy as np
import pytest
import soundfile

from tapscan.desk.views.sounds import decay_document, taps_at, wav_of
from tapscan.errors import TapscanError
from tapscan.plan import Point
from tapscan.records import open_inspection

RATE_HZ = 24_000


def tap(pitch_hz, loudness, zeta=0.01):
    """Half a second of a quiet room with one ring in it."""
    rng = np.random.default_rng(int(pitch_hz))
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ
    omega = 2 * np.pi * pitch_hz
    ring = loudness * np.exp(-zeta * omega * time_s) * np.sin(omega * time_s)
    return np.concatenate([np.zeros(RATE_HZ // 4), ring]) + rng.normal(0, 1e-4, 3 * RATE_HZ // 4)


def write(folder, name, *taps):
    soundfile.write(folder / f"taps/{name}.wav", np.concatenate(taps), RATE_HZ, subtype="FLOAT")


def test_soft_and_hard_taps_are_heard_at_the_same_peak(folder):
    write(folder, "CS-01-01", tap(2000, 0.5), tap(2000, 0.02))
    write(folder, "CS-01-02", tap(3000, 0.1))
    inspection = open_inspection(folder)
    for name in ((1, 1), (1, 2)):
        sound, rate = soundfile.read(io.BytesIO(wav_of(taps_at(inspection, Point("CS", *name)))))
        assert rate == RATE_HZ
        assert np.abs(sound).max() == pytest.approx(0.7, abs=0.001)
        assert sound[-1] == 0


def test_recordings_of_one_tap_each_are_heard_one_after_the_other(folder):
    for number, name in enumerate(("CS-01-01", "CS-01-01_2", "CS-01-01_3", "CS-01-01_4")):
        write(folder, name, tap(2000 + 100 * number, 0.3))
    heard = taps_at(open_inspection(folder), Point("CS", 1, 1))
    assert len(heard.taps) == 3
    assert heard.name == "taps/CS-01-01.wav"


def test_a_point_without_a_tap_says_so(folder):
    write(folder, "CS-01-01", np.zeros(RATE_HZ))
    inspection = open_inspection(folder)
    with pytest.raises(TapscanError, match=r"taps/CS-01-01\.wav: holds no tap"):
        taps_at(inspection, Point("CS", 1, 1))
    with pytest.raises(TapscanError, match="CS-02-02: has no tap recording"):
        taps_at(inspection, Point("CS", 2, 2))


def test_the_note_of_a_ring_is_reported_with_its_damping_and_decay(folder):
    write(folder, "CS-01-01", tap(2000, 0.4, zeta=0.01))
    shown = decay_document(taps_at(open_inspection(folder), Point("CS", 1, 1)))
    assert shown["modes"][0]["frequency_hz"] == pytest.approx(2000, rel=1e-3)
    assert shown["modes"][0]["damping_ratio"] == pytest.approx(0.01, rel=0.05)
    # A level falls by 60 dB in ln(1000) / (ζω).
    assert shown["decay_time_s"] == pytest.approx(np.log(1000) / (0.01 * 2 * np.pi * 2000), rel=0.05)
    assert max(shown["envelope_db"]) == 0
