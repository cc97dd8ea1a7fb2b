"""From echoes to calls: how much of the beam is lost or comes back from inside, and how often chance does so.

A delamination inside the beam reflects what the back wall no longer receives. Where it fills half the beam,
its echo has half its full amplitude and the back wall has lost half of its own: the 6 dB rule at which edges
are drawn for reflectors wider than the beam. The score is the larger of the two shares, over one half. Yet
a layer that returns a share R is crossed twice by what the back wall returns, and takes at least R² from it.
So an echo from inside counts at most as the root of what the back wall has lost: one that takes nothing is a
ply's.
"""

from itertools import product

import numpy as np
from numpy.typing import NDArray

from tapscan.screening.echoes.baseline import Baseline
from tapscan.screening.echoes.bonds import HALF
from tapscan.screening.echoes.levels import MIN_READINGS, amplitude, chance_law
from tapscan.screening.echoes.readings import EchoReadings
from tapscan.screening.echoes.twins import SAME_TIME, Expected
from tapscan.signals.echoes.losses import loss_db_per_s

__all__ = ["called"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Echoes of one delamination: so many points away at most.
NEIGHBOURS = 2
# The loss is measured to a third, and too large where it grows faster than frequency. So much is allowed for
# at most: an echo that fills the beam, at least as strong as the back wall, still counts as half a beam.
MOST_SPARED_DB = 6.0
# A back wall that was not found is this far below what was expected, for the table's and the score's sake.
LOST_DB = -40.0


def called(
    readings: EchoReadings, baseline: Baseline, read: Mask, expected: Expected | None, *, closed: bool
) -> tuple[Floats, Floats, Mask]:
    """Give score, p-value and whether it is the bond that is in doubt, each (stations, positions).

    Behind bonds the p-value is that of a normal law with the scatter that Fisher's discriminant found; it is
    small wherever the score counts.
    """
    from scipy.stats import norm

    free = 10 ** (baseline.free_db / 20)
    lost = _lost_share(readings, baseline.free_db) * 10 ** (baseline.steep_db / 20)
    inside = _inside_share(readings, free, read, closed=closed)
    inside = np.where(baseline.bonded, inside, np.minimum(inside, np.sqrt(np.maximum(lost, 0))))
    if expected is not None:
        inside = inside - expected.known_share
    doubt = np.where(baseline.bonded, np.maximum(baseline.loose, baseline.masked), lost)
    score = np.where(read, np.maximum(np.maximum(doubt, inside), 0.0) / HALF, np.nan)
    beside = ~baseline.bonded
    p_value = norm.sf(score * HALF * baseline.separation)
    usual = doubt if expected is None else expected.wander
    p_value[beside] = _p_value(score[beside], usual[beside], read[beside])
    is_loose = (baseline.loose >= HALF) & (baseline.loose > inside) & (baseline.loose > baseline.masked)
    return score, p_value, baseline.bonded & is_loose


def _inside_share(readings: EchoReadings, free: Floats, read: Mask, *, closed: bool) -> Floats:
    """Share of the beam that the first echo inside returns.

    A whole beam's echo from inside is at least as strong as the back wall: it has less laminate to cross. How
    much stronger, the laminate's loss and the neighbours at the same depth show; without them an edge would
    be drawn too far out, and a ply near the surface of a thick wall taken for damage.
    """
    echo = np.where(read, amplitude(readings.echoes.echo_db), 0.0)
    whole = np.maximum(free * 10 ** (_spared_db(readings) / 20), echo)
    time_s, room = readings.echoes.echo_s, (NEIGHBOURS, NEIGHBOURS)
    wide = [np.pad(of, (room, (0, 0) if closed else room)) for of in (echo, time_s)]
    inner = slice(NEIGHBOURS, -NEIGHBOURS)
    grid = inner, slice(None) if closed else inner
    for shift in product(range(-NEIGHBOURS, NEIGHBOURS + 1), repeat=2):
        near, when_s = (np.roll(of, shift, axis=(0, 1))[grid] for of in wide)
        with np.errstate(invalid="ignore"):
            is_same = np.abs(when_s - time_s) <= SAME_TIME * time_s
        whole = np.where(is_same, np.maximum(whole, near), whole)
    return np.asarray(echo / whole)


def _spared_db(readings: EchoReadings) -> Floats:
    """Give the loss, (stations, positions), that the first echo inside is spared on its shorter way."""
    echoes = readings.echoes
    if not (np.isfinite(echoes.tof_s).any() and np.isfinite(echoes.echo_s).any()):
        return np.zeros(echoes.tof_s.shape)
    loss = loss_db_per_s(readings.traces, echoes.front_s, echoes.backwall_s, readings.sample_rate_hz)
    shorter_s = np.nan_to_num(np.nanmedian(echoes.tof_s) - echoes.echo_s)
    return np.asarray(np.clip(loss * shorter_s, 0.0, MOST_SPARED_DB))


def _lost_share(readings: EchoReadings, expected_db: Floats) -> Floats:
    """Share of the expected back-wall amplitude that is missing: about 0 in good laminate."""
    backwall_db = readings.echoes.backwall_db
    backwall_db = np.where(np.isfinite(backwall_db), backwall_db, expected_db + LOST_DB)
    return np.asarray(1 - 10 ** ((backwall_db - expected_db) / 20))


def _p_value(score: Floats, doubt: Floats, read: Mask) -> Floats:
    """How often a sound reading would score as high; NaN where unread.

    Sound readings lose as often as they gain, so what some gain is the law of what chance takes.
    """
    wander = np.where(read, doubt, np.nan)
    if np.isfinite(wander).sum() < MIN_READINGS:
        return np.where(np.isfinite(score), 1.0, np.nan)
    return chance_law(wander).p_values(score * HALF)
