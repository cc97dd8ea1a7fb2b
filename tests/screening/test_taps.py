"""Tapped zones screened: what is found, what is left alone, and what changes nothing."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom
from tapscan.screening.tap_readings import TAP_COLUMNS, TapReadings

from tapscan.plan import Block, Laminate, Zone, parse_point
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD
from tapscan.screening.taps import screen_taps, tap_vector
from tapscan.synth import Defect, distance_mm, true_mask
from tests.screening.parts import analysed, louder, tapped, turned, write_exactly, write_tapped

RATE = 0.01
STATIONS, POSITIONS = 16, 12
ZONE = Zone(
    "BM", "Boom", "tube", STATIONS, POSITIONS, 10.0, 120.0, 120.0, None, Laminate(1.6, 60, 0.3, 1550, 2950)
)
BAND_HZ = 400.0 * 2 ** (np.arange(60) / 12)
# One across the seam, dull; one that rings.
DEFECTS = (
    Defect(x_mm=45, s_mm=118, radius_mm=16, depth_mm=0.5),
    Defect(x_mm=105, s_mm=55, radius_mm=15, depth_mm=0.7),
)


def readings(seed: int, *, tilt_db: float = 6.0) -> TapReadings:
    """Made-up spectra: a hump that moves along the part, a slow change round it, 1 dB of scatter."""
    rng = np.random.default_rng([seed, 3])
    octave = np.log2(BAND_HZ / 1600)
    station, position = np.indices((STATIONS, POSITIONS))[..., None]
    hump = np.cos(station / 3) * 0.3
    spectrum = (
        -20 - 5 * (octave - hump) ** 2 + tilt_db / 6 * np.cos(2 * np.pi * position / POSITIONS) * octave
    )
    # Neighbouring bands scatter together, as lines wider than a band do.
    scatter = rng.standard_normal((*spectrum.shape[:2], BAND_HZ.size + 4))
    spectrum = spectrum + sum(scatter[..., i : i + BAND_HZ.size] for i in range(5)) / 5**0.5
    level_db = np.broadcast_to(-12.0, ZONE.grid_shape) + rng.uniform(-6, 6, ZONE.grid_shape)
    features = {name: np.ones(ZONE.grid_shape) for name in TAP_COLUMNS} | {"level_db": level_db}
    return TapReadings(
        reason=np.full(ZONE.grid_shape, "", dtype="<U24"),
        n_taps=np.full(ZONE.grid_shape, 3),
        features=features,
        spectrum_db=spectrum - 10 * np.log10((10 ** (spectrum / 10)).sum(axis=-1, keepdims=True)),
        noise_db=np.full_like(spectrum, -80.0),
        band_hz=BAND_HZ,
    )


def without(some: TapReadings, unread: np.ndarray, why: str = "missing") -> TapReadings:
    reason, spectrum, noise = some.reason.copy(), some.spectrum_db.copy(), some.noise_db.copy()
    reason[unread], spectrum[unread], noise[unread] = why, np.nan, np.nan
    features = {name: np.where(unread, np.nan, values) for name, values in some.features.items()}
    return TapReadings(reason, np.where(unread, 0, some.n_taps), features, spectrum, noise, some.band_hz)


def damaged(some: TapReadings, where: np.ndarray, seed: int = 0) -> TapReadings:
    """Let points ring, each with a note of its own, some 12 dB above what is there."""
    rng = np.random.default_rng(seed)
    spectrum = some.spectrum_db.copy()
    note = rng.uniform(-1.5, 1.5, where.sum())[:, None]
    spectrum[where] += 14 * np.exp(-(((np.log2(BAND_HZ / 1600) - note) / 0.3) ** 2))
    spectrum -= 10 * np.log10((10 ** (spectrum / 10)).sum(axis=-1, keepdims=True))
    return replace(some, spectrum_db=spectrum)


def rolled(some: TapReadings, by: int) -> TapReadings:
    def roll(values: np.ndarray) -> np.ndarray:
        return np.roll(values, by, axis=1)

    features = {name: roll(values) for name, values in some.features.items()}
    spectrum, noise = roll(some.spectrum_db), roll(some.noise_db)
    return TapReadings(roll(some.reason), roll(some.n_taps), features, spectrum, noise, some.band_hz)


def block(first: int, last: int, start: int, end: int) -> np.ndarray:
    marked = np.zeros(ZONE.grid_shape, dtype=bool)
    marked[first:last, start:end] = True
    return marked


# Found


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_delamination_is_found_and_at_most_one_that_is_none(tmp_path, seed):
    plan, zone, recordings = tapped(DEFECTS, seed=seed)
    (told,) = analysed(write_tapped(tmp_path / "part", plan, zone, recordings)).screened
    points = [
        {(p.station - 1, p.position - 1) for p in map(parse_point, one.points)} for one in told.indications
    ]
    for defect in DEFECTS:
        own = set(map(tuple, np.argwhere(true_mask(zone, [defect]))))
        assert any(own & each for each in points)
    near = np.min([distance_mm(zone, d) - d.radius_mm for d in DEFECTS], axis=0) < 10
    assert sum(not any(near[at] for at in each) for each in points) <= 1


@pytest.mark.slow
def test_sound_tubes_get_the_false_calls_asked_for_and_hardly_an_indication(tmp_path):
    """20 sound tubes through files and all: a factor of two, and what chance adds to that."""
    p, indications = [], []
    for seed in range(100, 120):
        plan, zone, recordings = tapped(seed=seed)
        (told,) = analysed(write_tapped(tmp_path / str(seed), plan, zone, recordings)).screened
        p.append(told.p_value)
        indications.append(len(told.indications))
    assert max(indications) <= 1
    assert sum(indications) <= 4
    points = np.array(p)
    assert np.isfinite(points).all()
    for rate in (0.05, 0.01):
        calls = int((points < rate).sum())
        assert binom.ppf(1e-3, points.size, rate / 2) <= calls <= binom.isf(1e-3, points.size, 2 * rate), (
            calls
        )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("stations", "seed"), [(40, 102), (10, 104), (10, 161), (10, 255), (8, 5008), (8, 5021), (6, 5026)]
)
def test_sound_tubes_that_once_got_false_indications(tmp_path, stations, seed):
    """A mode whose crests change fast along the first, a tail that a hundred readings leave undecided on the
    second, on two more two sets of readings that gave way to each other without end, and on the others a
    third of the readings left out for no reason.
    """
    plan, zone, recordings = tapped(seed=seed, stations=stations)
    (told,) = analysed(write_tapped(tmp_path / "part", plan, zone, recordings)).screened
    assert len(told.indications) <= 1
    assert (told.p_value < RATE).sum() <= binom.isf(1e-3, told.p_value.size, 2 * RATE)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("x_mm", "s_mm", "depth_mm", "seed"),
    [(32.6, 106.7, 0.64, 6007), (54.1, 106.1, 0.71, 6017), (17.2, 27.6, 0.64, 6019)],
)
def test_damage_over_a_sixth_of_a_small_zone_is_not_taken_for_strewn(tmp_path, x_mm, s_mm, depth_mm, seed):
    """What the fit to few readings leaves out may lie nearly as if strewn, beside the damage."""
    defect = Defect(x_mm, s_mm, 22.0, depth_mm)
    plan, zone, recordings = tapped((defect,), seed=seed, stations=8)
    (told,) = analysed(write_tapped(tmp_path / "part", plan, zone, recordings)).screened
    inside = true_mask(zone, (defect,))
    assert (told.status[inside] == SUSPECT).mean() > 0.8
    peak = parse_point(told.indications[0].peak_point)
    assert inside[peak.station - 1, peak.position - 1]


@pytest.mark.parametrize("seed", range(3))
def test_a_third_of_scattered_damage_leaves_the_rest_clear(seed):
    rng = np.random.default_rng(seed)
    bad = np.zeros(ZONE.grid_shape, dtype=bool)
    for station in range(STATIONS):
        bad[station, rng.choice(POSITIONS, 4, replace=False)] = True
    told = screen_taps(ZONE, damaged(readings(seed), bad, seed), RATE, [])
    good = ~bad
    assert (told.status[bad] == SUSPECT).mean() > 0.95
    assert (told.status[good] == SUSPECT).sum() <= binom.isf(1e-3, int(good.sum()), 2 * RATE)


def test_points_that_are_suspect_by_chance_are_called_and_listed_by_no_indication():
    """What is asked for is a rate of calls; an indication has to be rarer than chance."""
    calls = indications = 0
    for seed in range(6):
        told = screen_taps(ZONE, readings(seed), 0.05, [])
        calls += told.count(SUSPECT)
        indications += len(told.indications)
    assert calls > 20
    assert indications == 0


def test_the_score_is_one_where_the_p_value_is_the_rate():
    told = screen_taps(ZONE, damaged(readings(5), block(4, 7, 3, 6)), RATE, [])
    assert ((told.score > 1) == (told.p_value < RATE)).all()
    assert ((told.status == SUSPECT) == (told.score > 1)).all()
    stricter = screen_taps(ZONE, damaged(readings(5), block(4, 7, 3, 6)), 0.001, [])
    np.testing.assert_allclose(stricter.p_value, told.p_value, rtol=1e-12)
    assert set(map(tuple, np.argwhere(stricter.status == SUSPECT))) <= set(
        map(tuple, np.argwhere(told.status == SUSPECT))
    )


# What changes nothing


@pytest.mark.parametrize("by", [1, 6, 11])
def test_a_turn_of_the_datum_turns_the_map(by):
    some = without(damaged(readings(6), block(5, 8, 0, 3)), block(10, 11, 2, 4))
    plain, there = (screen_taps(ZONE, each, RATE, []) for each in (some, rolled(some, by)))
    assert (there.status == np.roll(plain.status, by, axis=1)).all()
    assert (there.reason == np.roll(plain.reason, by, axis=1)).all()
    np.testing.assert_allclose(there.score, np.roll(plain.score, by, axis=1), rtol=1e-5)
    assert [len(i.points) for i in there.indications] == [len(i.points) for i in plain.indications]
    for name in ("area_mm2", "area_low_mm2", "area_high_mm2"):
        sizes = [[getattr(i, name) for i in told.indications] for told in (there, plain)]
        assert sizes[0] == pytest.approx(sizes[1], rel=1e-5)


def test_a_turn_of_the_datum_turns_the_map_from_files_too(tmp_path):
    plan, zone, recordings = tapped(DEFECTS, seed=2, stations=10)
    (plain,) = analysed(write_tapped(tmp_path / "a", plan, zone, recordings)).screened
    (there,) = analysed(write_tapped(tmp_path / "b", plan, zone, turned(recordings, 5))).screened
    assert (there.status == np.roll(plain.status, 5, axis=1)).all()
    np.testing.assert_allclose(there.score, np.roll(plain.score, 5, axis=1), rtol=1e-5)
    for name, values in plain.features.items():
        np.testing.assert_array_equal(there.features[name], np.roll(values, 5, axis=1))


def test_the_recorders_gain_moves_the_level_and_nothing_else(tmp_path):
    plan, zone, recordings = tapped(DEFECTS, seed=3, stations=10)
    plain, quiet = (
        analysed(write_exactly(tmp_path / name, plan, zone, louder(recordings, gain))).screened[0]
        for name, gain in (("a", 1), ("b", 1 / 8))
    )
    assert (quiet.status == plain.status).all()
    np.testing.assert_allclose(quiet.score, plain.score, rtol=1e-4)
    for name, values in plain.features.items():
        moved = 20 * np.log10(1 / 8) if name == "level_db" else 0
        np.testing.assert_allclose(quiet.features[name], values + moved, rtol=1e-4, err_msg=name)
    assert [one.points for one in quiet.indications] == [one.points for one in plain.indications]


def test_a_constant_gain_of_made_up_readings_changes_no_bit_of_the_status():
    some = damaged(readings(7), block(5, 8, 4, 7))
    raised = replace(some, features=dict(some.features, level_db=some.features["level_db"] + 6))
    plain, there = (screen_taps(ZONE, each, RATE, []) for each in (some, raised))
    assert (plain.status == there.status).all()
    np.testing.assert_allclose(there.score, plain.score, rtol=1e-6)  # the law is found by search


# Unread, skipped, marked


def test_unread_is_never_clear():
    hole = block(3, 6, 4, 6)
    told = screen_taps(ZONE, without(readings(8), hole, "silent"), RATE, [])
    assert (told.status[hole] == UNREAD).all()
    assert (told.reason[hole] == "silent").all()
    assert np.isnan(told.score[hole]).all()
    assert np.isnan(told.p_value[hole]).all()
    for values in told.features.values():
        assert np.isnan(values[hole]).all()
    assert not np.isin(told.status[~hole], (UNREAD, SKIPPED)).any()
    assert (told.reason[~hole] == "").all()


def test_a_station_without_any_reading_does_not_stop_the_rest():
    gone = block(7, 8, 0, POSITIONS)
    told = screen_taps(ZONE, without(damaged(readings(9), block(11, 14, 2, 5)), gone), RATE, [])
    assert (told.status[gone] == UNREAD).all()
    assert (told.status[block(11, 14, 2, 5)] == SUSPECT).all()
    good = ~(gone | block(11, 14, 2, 5))
    assert (told.status[good] == SUSPECT).sum() <= binom.isf(1e-3, int(good.sum()), 2 * RATE)


def test_skipped_points_are_neither_judged_nor_given_a_reason():
    zone = replace(ZONE, skip=(Block(2, 11, 3, 1),))  # across the seam
    skipped = np.zeros(ZONE.grid_shape, dtype=bool)
    skipped[1:3, [10, 11, 0]] = True
    told = screen_taps(zone, without(readings(10), skipped, ""), RATE, [])
    assert ((told.status == SKIPPED) == skipped).all()
    assert (told.reason[skipped] == "").all()


def test_too_few_readings_leave_every_point_unread_with_a_sentence():
    warnings: list[str] = []
    told = screen_taps(ZONE, without(readings(11), ~block(0, 1, 0, 11)), RATE, warnings)
    assert (told.status == UNREAD).all()
    assert (told.reason[0, :11] == "no baseline").all()
    assert (told.reason[1:] == "missing").all()
    assert warnings == ["zone BM: taps at 11 points only (tap more of the zone)"]
    assert told.baseline == "No baseline: 11 readings are too few to say what is good here."
    assert all(np.isnan(values).all() for values in told.features.values())


def test_a_dozen_readings_are_enough_to_begin_with():
    told = screen_taps(ZONE, without(readings(11), ~block(0, 1, 0, 12)), RATE, [])
    assert np.isin(told.status[0], (CLEAR, SUSPECT)).all()
    assert "They are few: several times as many good points" in told.baseline
    assert "They are few" not in screen_taps(ZONE, readings(11), RATE, []).baseline


@pytest.mark.parametrize("width", [7, 8])
def test_marked_points_decide_what_is_good_where_damage_fills_most_of_a_ring(width):
    where = block(6, 8, 0, width)
    # One note for all of it, or each point would stand out by itself.
    spectrum = readings(12).spectrum_db.copy()
    spectrum[where] += 14 * np.exp(-((np.log2(BAND_HZ / 1600) / 0.3) ** 2))
    some = replace(readings(12), spectrum_db=spectrum)
    unmarked = screen_taps(ZONE, some, RATE, [])
    assert "Damage that fills more than half of a station's width can hide from it" in unmarked.baseline
    blocks = (Block(7, 9, 8, 12), Block(3, 11, 4, 2))  # the second lies across the seam
    marked = screen_taps(replace(ZONE, reference=blocks), some, RATE, [])
    assert (marked.status[where] == SUSPECT).all()
    assert (marked.status[~where] == SUSPECT).sum() <= binom.isf(1e-3, int((~where).sum()), 2 * RATE)
    assert marked.is_reference.sum() == 8 + 8
    assert marked.is_reference[2, [10, 11, 0, 1]].all()
    assert marked.baseline.startswith("What is good here comes from 16 points marked as good")


def test_the_evidence_holds_what_was_heard_and_what_was_expected():
    where = block(5, 8, 4, 7)
    told = screen_taps(ZONE, damaged(readings(13), where), RATE, [])
    evidence = told.evidence
    assert evidence.spectrum_db.shape == evidence.expected_db.shape == (STATIONS, POSITIONS, BAND_HZ.size)
    assert evidence.spread_db.shape == BAND_HZ.shape
    off = np.abs(evidence.spectrum_db - evidence.expected_db)
    assert np.median(off[~where]) < 1
    assert off[where].max(axis=-1).min() > 4
    assert 0.5 < np.median(evidence.spread_db) < 2  # 1 dB of scatter was put in


# What the score looks at


def test_bands_are_pooled_by_power():
    some = readings(14)
    pooled, noise = tap_vector(some, 6)
    assert pooled.shape == noise.shape == (STATIONS, POSITIONS, 6)
    # All of a tap's power is in the bands, and what keeps faint ones level is a hundredth of it.
    np.testing.assert_allclose((10 ** (pooled / 10)).sum(axis=-1), 1 + 0.01)
    assert pooled[0, 0, 2] == pytest.approx(
        10 * np.log10((10 ** (some.spectrum_db[0, 0, 20:30] / 10)).sum() + 0.01 / 6)
    )
    assert np.isnan(tap_vector(without(some, block(0, 1, 0, 1)), 6)[0][0, 0]).all()


def test_a_band_that_hardly_sounds_hardly_matters():
    some = readings(15)
    spectrum = some.spectrum_db.copy()
    spectrum[..., :10] = -60
    before = tap_vector(replace(some, spectrum_db=spectrum), 6)[0][..., 0]
    spectrum[..., :10] = -70
    after = tap_vector(replace(some, spectrum_db=spectrum), 6)[0][..., 0]
    assert np.abs(after - before).max() < 0.1


def test_noise_counts_by_its_share_of_the_band():
    some = readings(16)
    loud = replace(some, noise_db=some.spectrum_db.copy())
    faint = replace(some, noise_db=some.spectrum_db - 20)
    assert tap_vector(faint, 6)[1] == pytest.approx(tap_vector(loud, 6)[1] / 100, rel=0.05)
    unheard = replace(some, noise_db=np.full_like(some.noise_db, np.nan))
    assert (tap_vector(unheard, 6)[1] == 0).all()
