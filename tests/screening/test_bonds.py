"""How much of a beam has no bond behind it, on mixtures whose share is known."""

import numpy as np
import pytest

from tapscan.screening.echoes.bonds import resolved_bond
from tapscan.screening.echoes.readings import EchoReadings
from tapscan.signals import AScanSettings, measure_volume
from tapscan.signals.echoes.sampling import delayed

RATE_HZ = 100e6
TIME_S = np.arange(60) / RATE_HZ
PULSE = np.exp(-(((TIME_S - 0.3e-6) / 0.12e-6) ** 2)) * np.cos(2 * np.pi * 5e6 * (TIME_S - 0.3e-6))
BACK = 160.0  # samples after the front-surface echo
GLUE = 10.0
GRID = (20, 12)
BONDED = np.zeros(GRID, dtype=bool)
BONDED[:10] = True


def traces(share, bond, rng, noise=0.005, late=None):
    """Front-surface echoes, then the wall's own back (amplitude -0.8) and a bond's, mixed by `share`.

    `bond` lists (amplitude, samples after the back) of what a sound bond returns; a share of 1 has none. The
    wall's back is `late`, (stations, positions), samples later than usual.
    """
    back = BACK + (np.zeros(GRID) if late is None else late)
    front = 80 + rng.uniform(-20, 20, GRID)
    whole = delayed(PULSE, front, 400)
    whole += -0.8 * share[..., None] * delayed(PULSE, front + back, 400)
    for amplitude, after in bond:
        whole += amplitude * (1 - share[..., None]) * delayed(PULSE, front + back + after, 400)
    whole *= rng.uniform(0.7, 1.4, GRID)[..., None]
    return whole + noise * rng.standard_normal(whole.shape)


def judged(share, bond, seed=1, resting=None, bonded=BONDED, **scene):
    volume = traces(share, bond, np.random.default_rng(seed), **scene)
    echoes = measure_volume(volume, RATE_HZ, AScanSettings(BACK / RATE_HZ, bonded=bonded))
    readings = EchoReadings(volume, RATE_HZ, np.full(GRID, ""), echoes)
    return resolved_bond(readings, bonded, bonded if resting is None else resting, ~bonded)


@pytest.mark.parametrize(
    "bond",
    [
        ((-0.15, 0.0),),
        ((0.5, 0.0),),
        ((-0.15, 0.0), (0.5, GLUE)),
        ((-0.15, 0.0), (0.15, GLUE)),
    ],
    ids=["takes energy", "turns over", "aluminium behind glue", "laminate behind glue"],
)
def test_the_share_of_a_beam_without_a_bond_is_reported(bond):
    share = np.where(BONDED, 0.0, 1.0)
    share[4, 3:9] = 0.25, 0.5, 0.75, 1.0, 1.0, 1.0
    found = judged(share, bond)
    assert found.separation > 20
    assert found.loose[BONDED] == pytest.approx(share[BONDED], abs=0.12)
    assert np.isnan(found.loose[~BONDED]).all()


def test_points_without_a_trace_do_not_stop_the_rest():
    """A point that is unread has no time at which its back wall is due."""
    volume = traces(np.where(BONDED, 0.0, 1.0), ((-0.15, 0.0),), np.random.default_rng(1))
    volume[3, 4] = volume[15, 4] = np.nan
    echoes = measure_volume(volume, RATE_HZ, AScanSettings(BACK / RATE_HZ, bonded=BONDED))
    assert np.isnan(echoes.due_s[3, 4])
    read = np.isfinite(echoes.due_s)
    readings = EchoReadings(volume, RATE_HZ, np.where(read, "", "missing"), echoes)
    found = resolved_bond(readings, BONDED & read, BONDED & read, ~BONDED & read)
    assert found.separation > 20


def test_what_a_bond_does_is_said():
    share = np.where(BONDED, 0.0, 1.0)
    assert judged(share, ((-0.2, 0.0),)).left == pytest.approx(0.25, abs=0.02)
    assert judged(share, ((0.4, 0.0),)).left == pytest.approx(-0.5, abs=0.02)
    returned = judged(share, ((-0.6, 0.0),)).returned
    assert returned[BONDED] == pytest.approx(np.ones(BONDED.sum()), abs=0.05)


def test_nearly_half_of_the_bonds_may_be_loose():
    share = np.where(BONDED, 0.0, 1.0)
    share[:4] = 1.0
    found = judged(share, ((-0.15, 0.0), (0.5, GLUE)))
    assert found.loose[BONDED] == pytest.approx(share[BONDED], abs=0.12)


def test_with_points_marked_as_good_most_may_be():
    share = np.where(BONDED, 0.0, 1.0)
    share[:8] = 1.0
    marked = np.zeros(GRID, dtype=bool)
    marked[8:10] = True
    found = judged(share, ((-0.15, 0.0), (0.5, GLUE)), resting=marked)
    assert found.loose[BONDED] == pytest.approx(share[BONDED], abs=0.12)


@pytest.mark.parametrize("ply", [-0.08, -0.03, 0.03, 0.08])
@pytest.mark.parametrize("bond", [((-0.15, 0.0),), ((-0.15, 0.0), (0.5, GLUE))], ids=["weak", "aluminium"])
def test_the_wall_may_be_a_ply_thicker_or_thinner_before_the_bond(bond, ply):
    share = np.where(BONDED, 0.0, 1.0)
    share[3:6, 3:9] = 1.0
    found = judged(share, bond, late=np.where(BONDED, ply * BACK, 0.0))
    assert found.is_resolved
    assert ((found.loose >= 0.5) == (share == 1.0))[BONDED].all()


@pytest.mark.parametrize("late", [0.0, 2.0, 3.0, 6.0, 12.0])
def test_an_insert_that_has_come_off_altogether_is_no_sound_bond_for_a_thicker_wall(late):
    assert not judged(np.ones(GRID), (), late=np.where(BONDED, late, 0.0)).is_resolved


@pytest.mark.parametrize("stations", [16, 18, 19])
def test_few_points_beside_the_bonds_carry_no_surface_behind_them(stations):
    bonded = np.zeros(GRID, dtype=bool)
    bonded[:stations] = True
    share = np.where(bonded, 0.0, 1.0)
    share[4:7, 3:9] = 1.0
    found = judged(share, ((-0.15, 0.0),), bonded=bonded)
    assert found.is_resolved
    assert ((found.loose >= 0.5) == (share == 1.0))[bonded].all()


def test_bonds_that_return_nothing_at_all_are_reported_too():
    share = np.where(BONDED, 0.0, 1.0)
    share[3:6, 3:9] = 1.0
    found = judged(share, (), noise=0.0)
    assert found.is_resolved
    assert ((found.loose >= 0.5) == (share == 1.0))[BONDED].all()
    assert np.isfinite(found.returned[BONDED]).all()


@pytest.mark.parametrize("seed", range(5))
def test_where_nothing_is_bonded_the_two_are_not_apart(seed):
    assert judged(np.ones(GRID), (), seed).separation < 4
