"""How much of a beam has no bond behind it, from the whole shape of what the wall's back returns.

A sound bond changes the back wall's echo in one way or another: it takes energy out of it, turns it over
where the insert is harder than the wall, or lets the insert's own echo follow it as soon as the glue is
crossed. Which of these, the zone itself shows, by what usually comes back behind the bonded points and what
does beside them. A reading is on the way from the first to the second as far as its beam has no bond behind
it. Fisher's linear discriminant (Annals of Eugenics 7, 1936, 179-188, from memory) measures how far with the
least uncertainty, given how readings of either kind scatter.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from tapscan.screening.echoes.readings import EchoReadings
from tapscan.signals.echoes.sampling import cut_out, spread_evenly

__all__ = ["HALF", "Bond", "resolved_bond"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# The window: from a cycle at 5 MHz before the back wall is due to as much after half a millimetre of
# glue has been crossed, there and back.
BEFORE_S, AFTER_S = 0.2e-6, 0.6e-6
STEP_S = 20e-9  # a tenth of a cycle at 5 MHz: closer samples say nothing more
MARGIN = 8  # samples, where the cut itself is heard
# By so much the wall may be thicker or thinner before a bond than beside it: a ply of some two millimetres.
UNEVEN = 0.08
MOST_FREE = 2_000  # readings beside the bonds, spread evenly: more add nothing
BLOCK = 4_096  # traces cut at a time
ROUNDS = 4
HALF = 0.5  # of a beam, and of an amplitude: −6 dB
# How far what a bond returns and what the wall alone does must be apart, in standard deviations of either,
# to separate one from the other. The second simulator's bonds of aluminium, laminate and plastic were ten
# apart or more, and where nothing is bonded it is up to three.
LEAST_SEPARATION = 8.0
# Readings so many times as far from what is usual as the middle one are on something else.
FARTHEST = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Bond:
    """What the zone shows of its bonds.

    `loose` (stations, positions) is the share of each beam that has no bond behind it, about 0 at a sound
    bond and 1 where there is none; `returned` is how much of what comes back from a sound bond is there; both
    NaN where that was not asked. `left` is what a bond leaves of the back wall, as a share of its amplitude,
    and negative where it turns it over. Unless `is_resolved`, bonds return the same as the wall beside them.
    """

    loose: Floats
    returned: Floats
    left: float
    separation: float

    @property
    def is_resolved(self) -> bool:
        """Whether a bond differs from none."""
        return self.separation >= LEAST_SEPARATION


def resolved_bond(readings: EchoReadings, bonded: Mask, resting: Mask, free: Mask) -> Bond:
    """Measure how much of each bonded reading's beam has no bond behind it.

    The wall before the bonds may be a ply thicker or thinner than it is beside them: what comes back without
    a bond is searched for a little sooner and later than it is due, too.

    Parameters
    ----------
    readings
        The zone's.
    bonded
        Shape (stations, positions): readings to judge.
    resting
        Those of them, most of which are on sound bond.
    free
        Readings with nothing bonded behind them.
    """
    due_s, rate_hz = readings.echoes.due_s, readings.sample_rate_hz
    beside = np.argwhere(free)
    beside = beside[spread_evenly(len(beside), MOST_FREE)]
    reach = round(UNEVEN * float(np.median(due_s[bonded | free])) * rate_hz)
    length, step = round((BEFORE_S + AFTER_S) * rate_hz), max(1, round(STEP_S * rate_hz))
    due = slice(reach, reach + length, step)
    whole = _backs(readings, due_s, beside, reach, length)
    judged = _backs(readings, due_s, np.argwhere(bonded), 0, length, step)
    free_ways = sliding_window_view(np.median(whole, axis=0), length)[::-1, ::step]  # sooner to later
    bond, share, separation = _between(judged, resting[bonded], whole[:, due], free_ways)
    usual, energy = free_ways[reach], max(float(bond @ bond), 1e-300)
    loose, returned = np.full((2, *bonded.shape), np.nan)
    loose[bonded], returned[bonded] = share, judged @ bond / energy
    return Bond(loose, returned, float(bond @ usual / (usual @ usual)), separation)


def _backs(
    readings: EchoReadings, due_s: Floats, rows: NDArray[np.intp], reach: int, length: int, step: int = 1
) -> Floats:
    """Cut out what comes back about when the back wall is due, over the front-surface echo.

    Shape (n, length + 2 reach), in samples, of which every so many are kept.
    """
    rate_hz, echoes = readings.sample_rate_hz, readings.echoes
    parts = []
    for first in range(0, len(rows), BLOCK):
        at = tuple(rows[first : first + BLOCK].T)
        traces = np.asarray(readings.traces[at], dtype=float)
        traces = np.nan_to_num(traces - np.nanmedian(traces, axis=1, keepdims=True))
        start = (echoes.front_s[at] + due_s[at] - BEFORE_S) * rate_hz - reach - MARGIN
        cut = cut_out(traces, start, length + 2 * (reach + MARGIN))[:, MARGIN:-MARGIN:step]
        parts.append(cut / echoes.front_amplitude[at][:, None])
    return np.concatenate(parts)


def _between(
    judged: Floats, resting: Mask, without: Floats, free_ways: Floats
) -> tuple[Floats, Floats, float]:
    """Give what a sound bond returns, how far on the way from there to none readings are, and the separation.

    Shapes: `judged` and `without` (n, samples), of which they make (samples,) and (n,); `free_ways` (lags,
    samples) is what usually comes back without a bond, sooner and later, of which the nearest counts. Of the
    `resting` readings those that are nearer to none are not on sound bond.
    """
    sound, usual = resting, free_ways[len(free_ways) // 2]
    for _ in range(ROUNDS):
        bond = np.median(judged[sound], axis=0)
        ways = free_ways - bond
        directions = np.linalg.solve(_scatter(without - usual, judged[sound] - bond), ways.T)
        apart = np.sqrt(np.maximum(np.einsum("ls,sl->l", ways, directions), 1e-300))
        share = ((judged - bond) @ directions / apart**2).max(axis=1)
        nearer = resting & (share < HALF)
        sound = nearer if nearer.any() else resting
    return bond, share, float(apart.min())


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
