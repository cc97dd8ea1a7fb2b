"""How much of a beam has no bond behind it, told by the whole shape of what the wall's back returns.

A sound bond changes the back wall's echo in one way or another: it takes energy out of it, turns it over
where the insert is harder than the wall, or lets the insert's own echo follow it as soon as the glue is
crossed. Which of these, the zone itself tells, by what usually comes back behind the bonded points and what
does beside them. A reading lies on the way from the first to the second as far as its beam has no bond behind
it. Fisher's linear discriminant (Annals of Eugenics 7, 1936, 179-188, from memory) tells how far with the
least uncertainty, given how readings of either kind scatter.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.screening.echo_readings import EchoReadings
from tapscan.signals.backwalls import back_wall_trend
from tapscan.signals.pulses import cut_out
from tapscan.signals.sampling import spread_evenly

__all__ = ["Bond", "told_bond"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# What is looked at: from a cycle at 5 MHz before the back wall is due to as much after half a millimetre of
# glue has been crossed, there and back.
BEFORE_S, AFTER_S = 0.2e-6, 0.6e-6
STEP_S = 20e-9  # a tenth of a cycle at 5 MHz: closer samples say nothing more
MARGIN = 8  # samples, where the cut itself is heard
MOST_FREE = 2_000  # readings beside the bonds, spread evenly: more tell nothing more
BLOCK = 4_096  # traces cut at a time
ROUNDS = 4
HALF = 0.5
# Readings so many times as far from what is usual as the middle one stand on something else.
FARTHEST = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Bond:
    """What the zone tells of its bonds.

    `loose` (stations, positions) is the share of each beam that has no bond behind it, about 0 at a sound
    bond and 1 where there is none; `returned` is how much of what comes back from a sound bond is there; both
    NaN where that was not asked. `separation` says how far apart bond and none are, in standard deviations of
    either. `left` is what a bond leaves of the back wall, as a share of its amplitude, and negative where it
    turns it over.
    """

    loose: Floats
    returned: Floats
    separation: float
    left: float


def told_bond(readings: EchoReadings, bonded: Mask, resting: Mask, free: Mask) -> Bond:
    """Tell how much of each bonded reading's beam has no bond behind it.

    The wall is taken to be as thick behind the bonds as it is beside them, and to change there as it does
    beside them.

    Parameters
    ----------
    readings
        The zone's.
    bonded
        Shape (stations, positions): readings to judge.
    resting
        Those of them, most of which stand on sound bond.
    free
        Readings with nothing bonded behind them.
    """
    due_s = back_wall_trend(np.where(free, readings.echoes.tof_s, np.nan))
    beside = np.argwhere(free)
    beside = beside[spread_evenly(len(beside), MOST_FREE)]
    behind = np.argwhere(bonded)
    without, judged = (_backs(readings, due_s, rows) for rows in (beside, behind))
    usual = np.median(without, axis=0)
    bond, share, separation = _between(judged, resting[bonded], without)
    loose, returned = np.full((2, *bonded.shape), np.nan)
    loose[bonded], returned[bonded] = share, judged @ bond / (bond @ bond)
    return Bond(loose, returned, separation, left=float(bond @ usual / (usual @ usual)))


def _backs(readings: EchoReadings, due_s: Floats, rows: NDArray[np.intp]) -> Floats:
    """Cut out what comes back about when the back wall is due, over the front-surface echo: (n, samples)."""
    rate_hz, echoes = readings.sample_rate_hz, readings.echoes
    length = round((BEFORE_S + AFTER_S) * rate_hz)
    every = slice(MARGIN, MARGIN + length, max(1, round(STEP_S * rate_hz)))
    parts = []
    for first in range(0, len(rows), BLOCK):
        at = tuple(rows[first : first + BLOCK].T)
        traces = np.nan_to_num(np.asarray(readings.traces[at], dtype=float))
        traces -= np.median(traces, axis=1, keepdims=True)
        start = (echoes.front_s[at] + due_s[at] - BEFORE_S) * rate_hz - MARGIN
        cut = cut_out(traces, start, length + 2 * MARGIN)[:, every]
        parts.append(cut / echoes.front_amplitude[at][:, None])
    return np.concatenate(parts)


def _between(judged: Floats, resting: Mask, without: Floats) -> tuple[Floats, Floats, float]:
    """Give what a sound bond returns, how far on the way from there to none readings are, and the separation.

    Shapes: `judged` and `without` (n, samples), of which they make (samples,) and (n,). Of the `resting`
    readings those that lie nearer to none do not stand on sound bond.
    """
    sound = resting
    usual = np.median(without, axis=0)
    for _ in range(ROUNDS):
        bond = np.median(judged[sound], axis=0)
        way = usual - bond
        direction = np.linalg.solve(_scatter(without - usual, judged[sound] - bond), way)
        separation = float(np.sqrt(way @ direction))
        share = (judged - bond) @ direction / max(separation**2, 1e-300)
        nearer = resting & (share < HALF)
        sound = nearer if nearer.any() else resting
    return bond, share, separation


def _scatter(*kinds: Floats) -> Floats:
    """Covariance of readings about what is usual for their kind, (samples, samples), without the farthest.

    It is shrunk to equal and independent scatter of all samples by as much as the number of readings leaves
    it uncertain, with the weight samples / (samples + readings).
    """
    rest = np.concatenate(kinds)
    size = np.linalg.norm(rest, axis=1)
    rest = rest[size <= FARTHEST * np.median(size)]
    readings, samples = rest.shape
    covariance = rest.T @ rest / readings
    even = max(float(np.trace(covariance)) / samples, 1e-12) * np.eye(samples)
    weight = samples / (samples + readings)
    return np.asarray((1 - weight) * covariance + weight * even)
