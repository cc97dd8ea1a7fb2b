"""An earlier scan as what is expected: what it shows that the zone itself cannot, what it may not hide."""

from dataclasses import replace

import numpy as np
import pytest

from tapscan.errors import TapscanError
from tapscan.plan.text.reading import parse_plan
from tapscan.screening.change.twins import good_points, matched
from tapscan.screening.echoes.readings import EchoReadings
from tapscan.screening.echoes.screen import screen_ascans
from tapscan.screening.echoes.twins import EchoTwin, expected_echoes
from tapscan.signals import AScanFeatures
from tests.screening.parts import PANEL

ZONE = parse_plan(PANEL.format(extra="")).zones[0]
SHAPE = ZONE.grid_shape
WALL_S = 2 * 1.6e-3 / 2950.0
SOURCE = "the inspection last-year"
PLACE = (slice(3, 9), slice(3, 9))


def scan(seed: int, inside: tuple[float, float] = (0.0, np.nan), *, level_db: float = -6.0) -> EchoReadings:
    """Echoes of a panel; `inside` is what is at `PLACE`: share of the beam, depth over the thickness."""
    rng = np.random.default_rng(seed)
    tof_s = WALL_S * (1 + 0.003 * rng.normal(size=SHAPE))
    share, depth = np.zeros(SHAPE), np.full(SHAPE, np.nan)
    share[PLACE], depth[PLACE] = inside
    back = 10 ** ((level_db + 0.4 * rng.normal(size=SHAPE)) / 20) * (1 - share)
    lost = share > 0.95
    echo = np.where(share > 0, 10 ** (level_db / 20) * share, np.nan)
    none = np.full(SHAPE, np.nan)
    back_db = np.where(lost, np.nan, 20 * np.log10(np.maximum(back, 1e-6)))
    echoes = AScanFeatures(
        front_s=np.full(SHAPE, 1e-6),
        front_amplitude=np.ones(SHAPE),
        backwall_s=np.where(lost, np.nan, 1e-6 + tof_s),
        backwall_amplitude=np.where(lost, np.nan, back),
        tof_s=np.where(lost, np.nan, tof_s),
        echo_s=depth * tof_s,
        echo_amplitude=echo,
        backwall_db=back_db,
        echo_db=20 * np.log10(echo),
        snr_db=none,
        due_s=tof_s,
        fault=np.full(SHAPE, "", dtype="<U24"),
    )
    traces = np.zeros((*SHAPE, 4))
    return EchoReadings(traces, 1e8, np.full(SHAPE, "", dtype="<U24"), echoes)


def taken_for_the_wall(readings: EchoReadings, place: tuple[slice, slice], depth: float) -> EchoReadings:
    """The same, with the echo of a delamination taken for the back wall: it comes early and is as strong."""
    tof_s = readings.echoes.tof_s.copy()
    tof_s[place] *= depth
    return replace(readings, echoes=replace(readings.echoes, tof_s=tof_s))


def screened(now: EchoReadings, *before: EchoReadings, marked: str = "") -> tuple:
    """The panel by itself and against earlier scans; `marked` are known good points of their plan."""
    own = screen_ascans(ZONE, now, 0.01, [])
    earlier = parse_plan(PANEL.format(extra=f"reference = [{marked}]" if marked else "")).zones[0]
    twins = []
    for readings in before:
        then = screen_ascans(earlier, readings, 0.01, [])
        twins.append(EchoTwin(readings, matched(ZONE, earlier), good_points(then), then.is_reference))
    readings, expected = expected_echoes(ZONE, now, twins, SOURCE)
    return own, screen_ascans(ZONE, readings, 0.01, [], expected)


def test_a_sound_panel_stays_clear_with_another_probe():
    own, against = screened(scan(1), scan(2, level_db=-11.0))
    assert against.count("suspect") == own.count("suspect") == 0
    assert SOURCE in against.baseline
    assert "the scatter of the 320 quietest differences" in against.baseline


def test_weak_back_walls_all_across_a_part_of_the_panel_show():
    # Nothing inside: the wall has roughened or frayed there, over nearly a third of the stations.
    now = scan(1)
    back_db = now.echoes.backwall_db.copy()
    back_db[8:14] -= 8.0
    now = replace(now, echoes=replace(now.echoes, backwall_db=back_db))
    own, against = screened(now, scan(2))
    assert (own.status == "suspect")[8:14].mean() > 0.95
    assert (against.status == "suspect")[8:14].mean() > 0.95
    assert (against.status == "suspect")[[0, 1, 2, 3, 4, 5, 6, 16, 17, 18, 19]].mean() < 0.05


def test_a_delamination_under_most_of_the_panel_is_not_taken_for_its_wall():
    most = (slice(2, 18), slice(1, 15))
    now = taken_for_the_wall(scan(1), most, 0.8)
    own, against = screened(now, scan(2))
    assert own.count("suspect") == 0
    assert (against.status == "suspect")[most].all()
    (indication,) = against.indications
    assert indication.depth_mm == pytest.approx(0.8 * 1.6, abs=0.02)
    assert np.isnan(against.features["thickness_mm"][most]).all()


def test_a_delamination_under_all_of_the_panel_is_not_taken_for_its_wall():
    now = taken_for_the_wall(scan(1), (slice(None), slice(None)), 0.8)
    own, against = screened(now, scan(2))
    assert own.count("clear") == 320
    assert against.count("suspect") == 320


def test_damage_that_was_there_before_stays_suspect():
    inside = (0.9, 0.5)
    own, against = screened(scan(1, inside), scan(2, inside))
    assert (own.status == "suspect")[PLACE].all()
    assert (against.status == "suspect")[PLACE].all()
    assert "At 36 points there is no sound reading to subtract" in against.baseline


def test_damage_does_not_grow_behind_its_own_past():
    # Each step stays below half of the beam; both together do not.
    own, against = screened(scan(1, (0.8, 0.5)), scan(2, (0.42, 0.5)))
    assert (own.status == "suspect")[PLACE].all()
    assert (against.status == "suspect")[PLACE].all()


def test_an_echo_that_is_known_to_be_good_is_expected():
    # A step in the layup: an echo and a weak back wall in both scans, marked as good in the earlier plan.
    inside = (0.6, 0.5)
    own, against = screened(scan(1, inside), scan(2, inside), marked='"04-04:09-09"')
    assert (own.status == "suspect")[PLACE].all()
    assert against.count("suspect") == 0


def test_an_echo_elsewhere_in_the_depth_is_not_the_known_one():
    own, against = screened(
        scan(1, (0.9, 0.3)),
        scan(2, (0.6, 0.7)),
        marked='"04-04:09-09"',
    )
    assert (against.status == "suspect")[PLACE].all()
    assert (own.status == "suspect")[PLACE].all()


def test_an_echo_counts_as_known_only_where_every_twin_has_it():
    inside = (0.6, 0.5)
    now, with_it, without = scan(1, inside), scan(2, inside), scan(3)
    _, against = screened(now, with_it, without, marked='"04-04:09-09"')
    assert (against.status == "suspect")[PLACE].all()


def test_too_few_partners_are_refused():
    before = scan(2)
    few = np.zeros(SHAPE, dtype=bool)
    few[:2] = True
    twin = EchoTwin(before, matched(ZONE, ZONE), few, np.zeros(SHAPE, dtype=bool))
    with pytest.raises(TapscanError, match="32 readings have a good partner in the inspection last-year"):
        expected_echoes(ZONE, scan(1), [twin], SOURCE)


def test_two_scans_are_averaged():
    now = scan(1)
    spreads = []
    for before in ((scan(2),), (scan(2), scan(3), scan(4))):
        twins = [
            EchoTwin(one, matched(ZONE, ZONE), np.ones(SHAPE, bool), np.zeros(SHAPE, bool)) for one in before
        ]
        _, expected = expected_echoes(ZONE, now, twins, SOURCE)
        spreads.append(float(np.nanstd(now.echoes.backwall_db - expected.backwall_db)))
    # The variance of a difference falls from 2 to 4/3.
    assert spreads[1] < 0.9 * spreads[0]


@pytest.mark.parametrize("share", [0.6, 0.75, 0.9])
def test_a_lost_back_wall_is_not_followed_by_the_zones_own_baseline(share):
    # No echo from inside: the loss alone must show, over an area that slow waves could well follow.
    for seed in range(6):
        own = screen_ascans(ZONE, scan(seed, (share, np.nan)), 0.01, [])
        assert (own.status == "suspect")[PLACE].all()
        assert own.count("suspect") == 36
