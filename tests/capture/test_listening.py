import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.capture.sound.listening import WINDOW_S, deafen, hear, new_ear
from tapscan.signals import find_taps
from tests.capture.sounds import beam_tap, double_tap, fed, stream


def walked(rate_hz, seed, noise_rms, shortest_s, longest_s, count=12):
    """Taps of unequal strength and hardness, some of them double, at uneven intervals."""
    rng = np.random.default_rng([rate_hz, seed])
    times = np.cumsum([0.4, *rng.uniform(shortest_s, longest_s, count - 1)])
    taps = []
    for i, time_s in enumerate(times):
        tap = double_tap(rate_hz, rng.uniform(0.012, 0.05)) if i % 5 == 3 else beam_tap(rate_hz)
        taps.append((time_s, 0.4 * 10 ** (rng.uniform(-6, 6) / 20), tap))
    return stream(rate_hz, taps, times[-1] + 0.4, noise_rms, seed)


def heard(sound, rate_hz, lengths=None):
    return fed(hear, new_ear(rate_hz), sound, lengths or [round(0.01 * rate_hz)])[1]


@pytest.mark.parametrize("rate_hz", [8000, 22050, 44100, 48000, 96000, 192000])
@pytest.mark.parametrize(
    ("noise_rms", "gap_s"), [(1e-3, (0.16, 0.7)), (8e-3, (0.16, 0.7)), (1e-3, (0.1, 0.2))]
)
def test_what_is_heard_live_is_what_find_taps_finds(rate_hz, noise_rms, gap_s):
    sound = walked(rate_hz, 3, noise_rms, *gap_s)
    whole = find_taps(sound, rate_hz)
    hits = heard(sound, rate_hz)
    assert len(hits) == len(whole.start) == 12
    onsets = np.array([hit.onset for hit in hits])
    assert np.abs(onsets - whole.start).max() <= 0.3e-3 * rate_hz
    assert [hit.is_double for hit in hits] == list(whole.is_double)
    assert [hit.is_clipped for hit in hits] == list(whole.is_clipped)
    np.testing.assert_allclose([hit.peak for hit in hits], whole.peak, rtol=0.05)
    np.testing.assert_allclose([hit.snr_db for hit in hits], whole.snr_db, atol=6)


def test_a_clipped_tap_is_heard_as_one():
    sound = np.clip(stream(48000, [(0.5, 0.5, beam_tap(48000)), (1.0, 3.0, beam_tap(48000))], 1.4), -1, 1)
    assert [hit.is_clipped for hit in heard(sound, 48000)] == [False, True]


@pytest.mark.parametrize("rate_hz", [8000, 44100, 48000, 192000])
def test_a_tap_is_decided_on_when_its_window_is_complete(rate_hz):
    hits = heard(walked(rate_hz, 1, 2e-3, 0.2, 0.6), rate_hz)
    late_s = np.array([(hit.decided - hit.onset) / rate_hz for hit in hits])
    assert late_s.min() >= WINDOW_S
    assert late_s.max() <= WINDOW_S + 2e-3


def test_a_hit_is_reported_in_the_very_block_that_completes_it():
    rate_hz, at = 24000, 0
    ear = new_ear(rate_hz)
    reported = []
    for block in np.split(walked(rate_hz, 2, 1e-3, 0.2, 0.6)[: 24000 * 4], 4000):
        ear, hits = hear(ear, block)
        reported += [(hit.decided, at, at + len(block)) for hit in hits]
        at += len(block)
    assert len(reported) > 5
    assert all(begin < decided <= end for decided, begin, end in reported)


@settings(max_examples=25)
@given(lengths=st.lists(st.integers(1, 6000), min_size=1, max_size=30))
def test_how_the_stream_is_cut_changes_nothing(lengths):
    sound = walked(8000, 4, 2e-3, 0.12, 0.5)
    once, other = heard(sound, 8000, [8000]), heard(sound, 8000, lengths)
    assert len(once) == len(other) == 12
    for one, two in zip(once, other, strict=True):
        assert (one.onset, one.decided, one.lead, one.peak, one.snr_db, one.is_clipped, one.is_double) == (
            (two.onset, two.decided, two.lead, two.peak, two.snr_db, two.is_clipped, two.is_double)
        )
        np.testing.assert_array_equal(one.samples, two.samples)


def test_single_samples_are_blocks_too():
    sound = walked(8000, 5, 2e-3, 0.2, 0.4, count=3)
    assert [hit.onset for hit in heard(sound, 8000, [1])] == [hit.onset for hit in heard(sound, 8000)]


def test_the_cut_is_the_stream_sample_for_sample():
    sound = walked(48000, 6, 1e-3, 0.15, 0.6)
    hits = heard(sound, 48000)
    for before, hit in zip([None, *hits], hits, strict=False):
        begin = hit.onset - hit.lead
        np.testing.assert_array_equal(hit.samples, sound[begin : begin + len(hit.samples)])
        assert hit.samples.dtype == np.float32
        assert before is None or begin >= before.onset + (hit.onset - before.onset) // 2
        assert hit.lead <= 0.25 * 48000
        assert len(hit.samples) - hit.lead >= WINDOW_S * 48000 - 1


def test_noise_hum_silence_and_what_is_not_finite_hold_no_tap():
    rng = np.random.default_rng(7)
    assert heard((0.02 * rng.standard_normal(480_000)).astype(np.float32), 48000) == []
    assert heard(stream(48000, [], 10.0, hum=0.3), 48000) == []
    assert heard(np.zeros(96_000, dtype=np.float32), 48000) == []
    assert heard(np.full(96_000, np.nan, dtype=np.float32), 48000) == []
    assert heard(np.empty(0, dtype=np.float32), 48000, [10]) == []


def test_a_tap_right_at_the_beginning_and_one_in_digital_silence():
    tap = beam_tap(48000)
    assert len(heard(stream(48000, [(0.02, 0.5, tap), (0.5, 0.5, tap)], 1.0), 48000)) == 2
    sound = np.concatenate([np.zeros(48000), 0.5 * tap, np.zeros(48000)]).astype(np.float32)
    (hit,) = heard(sound, 48000)
    assert abs(hit.onset - 48000) <= 24


def test_deafness_drops_the_tap_in_the_air_and_ends():
    tap = beam_tap(24000)
    sound = stream(24000, [(1.0, 0.5, tap), (1.2, 0.5, tap), (1.5, 0.5, tap)], 2.0)
    ear, hits = fed(hear, new_ear(24000), sound[: round(1.05 * 24000)], [240])
    assert hits == []
    ear, hits = fed(hear, deafen(ear, 0.25), sound[round(1.05 * 24000) :], [240])
    assert [round(hit.onset / 24000, 2) for hit in hits] == [1.5]


def test_listening_anew_counts_on_and_remembers_nothing():
    tap = beam_tap(24000)
    sound = stream(24000, [(0.5, 0.5, tap), (1.3, 0.5, tap)], 2.0)
    ear, _ = fed(hear, new_ear(24000), sound[:24000], [500])
    ear, hits = fed(hear, new_ear(24000, ear.heard), sound[24000:], [500])
    assert [round(hit.onset / 24000, 2) for hit in hits] == [1.3]
    assert hits[0].onset - hits[0].lead >= 24000
