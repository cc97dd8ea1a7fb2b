"""The 6 dB rule itself, on echoes given by hand, and what has to hold for any traces."""

from dataclasses import fields, replace

import numpy as np
import pytest

from tapscan.plan import Block, Laminate, Zone
from tapscan.screening.echoes.readings import EchoReadings
from tapscan.screening.echoes.screen import screen_ascans
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD
from tapscan.signals import AScanFeatures
from tapscan.synth import Defect
from tests.screening.parts import analysed, write_scanned

RATE = 0.01
GRID = (16, 12)
WALL = Laminate(1.6, None, None, None, 2950.0)
PANEL = Zone("SP", "Pan", "panel", *GRID, 4.0, None, None, 4.0, WALL)
TUBE = Zone("BM", "Boom", "tube", *GRID, 4.0, 48.0, 48.0, None, WALL)
TOF_S = 2 * 1.6e-3 / 2950
GOOD_DB = -8.0


def echoes(seed: int = 0, spread_db: float = 0.2) -> EchoReadings:
    """A sound zone: a back wall at −8 dB with a little coupling noise, and nothing inside."""
    full = np.full(GRID, np.nan)
    values = {field.name: full.copy() for field in fields(AScanFeatures)}
    values["backwall_db"] = GOOD_DB + spread_db * np.random.default_rng(seed).standard_normal(GRID)
    values["tof_s"] = np.full(GRID, TOF_S)
    values["front_s"] = np.full(GRID, 1e-6)
    values["backwall_s"] = values["front_s"] + TOF_S
    values["snr_db"] = np.full(GRID, 46.0)
    values["fault"] = np.full(GRID, "")
    return EchoReadings(np.zeros((*GRID, 8)), 1e8, np.full(GRID, "", dtype="<U24"), AScanFeatures(**values))


def with_echoes(some: EchoReadings, **columns: np.ndarray) -> EchoReadings:
    return replace(some, echoes=replace(some.echoes, **columns))


def at(values: np.ndarray, where: np.ndarray | tuple[int, int], value: float) -> np.ndarray:
    changed = values.copy()
    changed[where] = value
    return changed


@pytest.mark.parametrize(("lost_db", "status"), [(7.0, SUSPECT), (5.0, CLEAR), (20.0, SUSPECT), (0.0, CLEAR)])
def test_half_of_the_back_wall_is_the_limit(lost_db, status):
    some = echoes()
    result = screen_ascans(
        PANEL, with_echoes(some, backwall_db=at(some.echoes.backwall_db, (5, 5), GOOD_DB - lost_db)), RATE, []
    )
    assert result.status[5, 5] == status
    # Half of the amplitude is 6.02 dB; the score is the lost share over one half.
    assert result.score[5, 5] == pytest.approx(2 * (1 - 10 ** (-lost_db / 20)), abs=0.08)
    assert result.count(SUSPECT) == (status == SUSPECT)


def test_a_lost_back_wall_is_suspect_and_not_unread():
    some = echoes()
    result = screen_ascans(
        PANEL, with_echoes(some, backwall_db=at(some.echoes.backwall_db, (5, 5), np.nan)), RATE, []
    )
    assert result.status[5, 5] == SUSPECT
    assert result.count(SUSPECT) == 1
    assert np.isnan(result.features["backwall_db"][5, 5])


@pytest.mark.parametrize(("below_db", "status"), [(7.0, CLEAR), (5.0, SUSPECT), (-3.0, SUSPECT)])
def test_an_echo_inside_of_half_a_beams_is_the_limit(below_db, status):
    some, none = echoes(), np.full(GRID, np.nan)
    # Of a whole beam a share R from inside leaves 1 - R² of the back wall: it is crossed twice.
    share = min(10 ** (-below_db / 20), 0.99)
    wall = at(some.echoes.backwall_db, (5, 5), GOOD_DB + 20 * np.log10(1 - share**2))
    inside = {"echo_db": at(none, (5, 5), GOOD_DB - below_db), "echo_s": at(none, (5, 5), TOF_S / 2)}
    result = screen_ascans(PANEL, with_echoes(some, backwall_db=wall, **inside), RATE, [])
    assert result.status[5, 5] == status
    assert result.features["depth_mm"][5, 5] == pytest.approx(0.8)
    assert result.count(SUSPECT) == (status == SUSPECT)


@pytest.mark.parametrize(
    ("points", "share", "lost_db", "status"),
    [
        (1, 0.37, 0.0, CLEAR),  # a ply near the surface of a wall whose loss has weakened the back wall
        (3, 0.37, 0.0, CLEAR),
        (1, 0.37, 3.0, SUSPECT),  # what it sends back is missing below
    ],
)
def test_an_echo_that_keeps_nothing_from_the_back_wall_is_a_plys(points, share, lost_db, status):
    some, none, where = echoes(), np.full(GRID, np.nan), (5, slice(5, 5 + points))
    inside = {"echo_db": at(none, where, GOOD_DB - 4.0), "echo_s": at(none, where, share * TOF_S)}
    wall = at(some.echoes.backwall_db, where, GOOD_DB - lost_db)
    result = screen_ascans(PANEL, with_echoes(some, backwall_db=wall, **inside), RATE, [])
    assert (result.status[where] == status).all()
    assert result.count(SUSPECT) == (points if status == SUSPECT else 0)


def test_a_stronger_back_wall_is_no_damage():
    some = echoes()
    result = screen_ascans(
        PANEL, with_echoes(some, backwall_db=at(some.echoes.backwall_db, (5, 5), GOOD_DB + 12)), RATE, []
    )
    assert result.status[5, 5] == CLEAR
    assert result.score[5, 5] == 0


@pytest.mark.parametrize("by", [1, 5, 11])
def test_a_turn_of_the_datum_turns_the_map(by):
    some = echoes(3)
    wall = some.echoes.backwall_db.copy()
    wall[4:8, [11, 0, 1]] = np.nan
    wall[12, 5] -= 8
    plain = screen_ascans(TUBE, with_echoes(some, backwall_db=wall), RATE, [])
    columns = {f.name: np.roll(getattr(some.echoes, f.name), by, axis=1) for f in fields(AScanFeatures)}
    there = screen_ascans(
        TUBE, with_echoes(some, **columns | {"backwall_db": np.roll(wall, by, axis=1)}), RATE, []
    )
    assert (there.status == np.roll(plain.status, by, axis=1)).all()
    np.testing.assert_allclose(there.score, np.roll(plain.score, by, axis=1), atol=1e-9)
    for name in ("area_mm2", "area_low_mm2", "area_high_mm2"):
        sizes = [[getattr(i, name) for i in result.indications] for result in (there, plain)]
        assert sizes[0] == pytest.approx(sizes[1])


def test_a_third_of_lost_back_walls_leaves_the_rest_clear():
    some, rng = echoes(4), np.random.default_rng(4)
    bad = np.zeros(GRID, dtype=bool)
    for station in range(GRID[0]):
        bad[station, rng.choice(GRID[1], 4, replace=False)] = True
    wall = np.where(bad, GOOD_DB - rng.uniform(8, 20, GRID), some.echoes.backwall_db)
    result = screen_ascans(PANEL, with_echoes(some, backwall_db=wall), RATE, [])
    assert ((result.status == SUSPECT) == bad).all()


def test_a_ramp_in_thickness_and_coupling_causes_no_call():
    some = echoes(5)
    ramp = np.linspace(-3, 3, GRID[0])[:, None]
    result = screen_ascans(PANEL, with_echoes(some, backwall_db=some.echoes.backwall_db + ramp), RATE, [])
    assert result.count(CLEAR) == GRID[0] * GRID[1]


def test_unread_and_skipped_points_are_never_clear():
    some = echoes(6)
    reason = some.reason.copy()
    reason[2, 3], reason[2, 4] = "saturated", "no echo"
    zone = replace(PANEL, skip=(Block(9, 1, 10, 2),))
    result = screen_ascans(zone, replace(some, reason=reason), RATE, [])
    assert result.status[2, 3] == result.status[2, 4] == UNREAD
    assert list(result.reason[2, 3:5]) == ["saturated", "no echo"]
    assert np.isnan(result.score[2, 3])
    assert all(np.isnan(values[2, 3]) for values in result.features.values())
    assert (result.status[8:10, :2] == SKIPPED).all()
    assert result.count(CLEAR) == GRID[0] * GRID[1] - 6


def test_too_few_back_walls_leave_every_point_unread_with_a_sentence():
    some, warnings = echoes(7), []
    reason = np.full(GRID, "missing", dtype="<U24")
    reason[0, :11] = ""
    result = screen_ascans(PANEL, replace(some, reason=reason), RATE, warnings)
    assert (result.status == UNREAD).all()
    assert (result.reason[0, :11] == "no baseline").all()
    assert (result.reason[1:] == "missing").all()
    assert warnings == [
        "zone SP: a back wall at 11 points only, too few for a baseline (scan more of the zone)"
    ]


def test_without_a_velocity_there_is_a_time_and_no_depth():
    some, none = echoes(8), np.full(GRID, np.nan)
    inside = {"echo_s": at(none, (5, 5), TOF_S / 2), "echo_db": at(none, (5, 5), GOOD_DB)}
    some = with_echoes(some, backwall_db=at(some.echoes.backwall_db, (5, 5), GOOD_DB - 20), **inside)
    result = screen_ascans(replace(PANEL, laminate=replace(WALL, velocity_m_s=None)), some, RATE, [])
    assert np.isnan(result.features["depth_mm"]).all()
    assert np.isnan(result.features["thickness_mm"]).all()
    np.testing.assert_allclose(result.features["tof_us"], TOF_S * 1e6)
    assert [one.depth_mm for one in result.indications] == [None]


def test_the_typical_trace_is_a_clear_one():
    some = echoes(9)
    traces = np.arange(GRID[0] * GRID[1], dtype=float)[:, None].repeat(8, axis=1).reshape(*GRID, 8)
    wall = some.echoes.backwall_db.copy()
    wall[:3] = np.nan
    result = screen_ascans(PANEL, with_echoes(replace(some, traces=traces), backwall_db=wall), RATE, [])
    shown = int(result.evidence.typical_trace[0])
    assert result.status.ravel()[shown] == CLEAR
    nothing = replace(some, reason=np.full(GRID, "no echo", dtype="<U24"))
    assert np.isnan(screen_ascans(PANEL, nothing, RATE, []).evidence.typical_trace).all()


# From traces


def test_a_delamination_is_found_with_its_depth_and_size_and_a_sound_panel_has_none(tmp_path):
    defect = Defect(x_mm=40, s_mm=30, radius_mm=11, depth_mm=0.7)
    (result,) = analysed(write_scanned(tmp_path / "a", [defect])).screened
    (one,) = result.indications
    assert one.kind == "delamination"
    assert one.depth_mm == pytest.approx(0.7, abs=0.05)
    assert one.area_mm2 == pytest.approx(np.pi * 11**2, rel=0.1)
    assert one.area_low_mm2 <= np.pi * 11**2 <= one.area_high_mm2
    (sound,) = analysed(write_scanned(tmp_path / "b")).screened
    assert sound.indications == ()
    assert sound.count(CLEAR) == sound.status.size
    np.testing.assert_allclose(sound.features["thickness_mm"], 1.6, rtol=0.01)


@pytest.mark.parametrize("factor", [-1.0, 0.25], ids=["polarity", "gain"])
def test_neither_sign_nor_gain_of_the_traces_matters(tmp_path, factor):
    folder = write_scanned(tmp_path / "a", [Defect(x_mm=40, s_mm=30, radius_mm=11, depth_mm=0.7)])
    (plain,) = analysed(folder).screened
    volume = np.load(folder / "ascans/SP.npy")
    np.save(folder / "ascans/SP.npy", volume * np.float32(factor))
    (there,) = analysed(folder).screened
    assert (there.status == plain.status).all()
    np.testing.assert_allclose(there.score, plain.score, rtol=1e-3, atol=1e-3)
    for name in ("tof_us", "depth_mm", "backwall_db"):
        np.testing.assert_allclose(there.features[name], plain.features[name], rtol=1e-3, atol=1e-3)
