"""The damage class of one shop: what sectioned parts showed retrains it, by partial pooling.

A shop's hand, tapper and laminates differ from those of the training parts, and from each other less than
from nothing: so every leaf of the trained trees keeps its value, plus a deviation of this shop's own with a
normal law about zero. How wide that law is was measured in training, on families of parts and generators left
out (`tests/independent/train.py`). Points that were cut then say how far each leaf is moved: the most likely
deviations given the findings (Gelman & Hill, *Data Analysis Using Regression and Multilevel Models*, 2007,
from memory). Leaves that no cut point reaches stay as trained, and with no findings at all the class is the
trained one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapscan.plan import Zone, block_mask
from tapscan.plan.nearness import nearness
from tapscan.screening.change.twins import MIN_READINGS
from tapscan.screening.known import Known
from tapscan.screening.taps.baseline import pooled
from tapscan.screening.taps.calls import TOUCHING
from tapscan.screening.taps.damage import DamageClass, inputs
from tapscan.screening.taps.points import point_means
from tapscan.screening.taps.readings import TapReadings
from tapscan.screening.taps.screen import REACH_MM, judged

if TYPE_CHECKING:
    from scipy.sparse import csr_array

__all__ = ["SectionedPart", "retrained", "sectioned_part"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SETTLED = 1e-6  # numerical: gradient at the most likely deviations
DIGITS = 5  # numerical: the same sums in another order give the same leaves


@dataclass(frozen=True, slots=True, eq=False)
class SectionedPart:
    """A tapped zone that was cut; rows are points.

    `described` (points, columns) as `damage.inputs` has them; `close` how near points are for the log odds to
    be averaged; `read` points with a tap; `quiet` what its baseline rests on; `sound` and `damaged` what the
    saw showed, neither where it was not cut or showed another flaw.
    """

    described: Floats
    close: "csr_array"
    read: Mask
    quiet: Mask
    sound: Mask
    damaged: Mask

    @property
    def known(self) -> Mask:
        """Points that were both tapped and cut."""
        return np.asarray(self.read & (self.sound | self.damaged))


def sectioned_part(
    zone: Zone, readings: TapReadings, known: Known, trained: DamageClass
) -> SectionedPart | None:
    """Describe a zone that was cut as if it had just been tapped; None with too few readings.

    A tap beside damage hears half of it, so that a sound point there is no example of sound laminate.
    """
    points = point_means(readings.taps, readings.reason.size)
    if points.read.sum() < MIN_READINGS:
        return None
    near = nearness(zone, REACH_MM)
    damaged = known.separated.ravel()
    beside = (near >= TOUCHING) @ damaged > 0
    baseline = judged(points, zone, block_mask(zone, zone.reference).ravel(), trained).baseline
    return SectionedPart(
        described=inputs(baseline, near),
        close=near.power(2),
        read=points.read,
        quiet=baseline.sound,
        sound=known.good.ravel() & ~beside,
        damaged=damaged,
    )


def retrained(trained: DamageClass, parts: Sequence[SectionedPart]) -> DamageClass:
    """Move the leaves of the trained class towards what the saw showed.

    Both kinds of points are needed: where only damage was written down nothing says what sound laminate
    sounds like, and the class stays as trained.
    """
    truth = np.concatenate([np.zeros(0, dtype=bool), *(part.damaged[part.known] for part in parts)])
    if truth.all() or not truth.any():
        return trained
    from scipy.sparse import vstack

    reached = vstack([_reached(trained, part)[part.known] for part in parts]).tocsr()
    odds = np.concatenate([_log_odds(trained, part)[part.known] for part in parts])
    deviation = _deviations(odds, reached, truth, trained.shop_variance) / trained.slope
    value = (trained.value + deviation.reshape(trained.value.shape)).round(DIGITS)
    own = replace(trained, value=value, cut=(int((~truth).sum()), int(truth.sum())))
    medians = [float(np.median(_log_odds(own, part)[part.quiet])) for part in parts]
    return replace(own, usual=(min(own.usual[0], *medians), max(own.usual[1], *medians)))


def _log_odds(trees: DamageClass, part: SectionedPart) -> Floats:
    return pooled(part.close, np.where(part.read, trees.log_odds(part.described), np.nan))


def _reached(trees: DamageClass, part: SectionedPart) -> "csr_array":
    """Share of its neighbourhood that reaches each leaf, (points, leaves of all trees)."""
    from scipy.sparse import csr_array, diags_array

    node = trees.reached(part.described) + np.arange(len(trees.value)) * trees.value.shape[1]
    points, count = node.shape
    leaves = csr_array(
        (np.repeat(part.read.astype(float), count), node.ravel(), np.arange(0, node.size + 1, count)),
        shape=(points, trees.value.size),
    )
    total = np.maximum(part.close @ part.read.astype(float), 1e-12)
    return (diags_array(1 / total) @ part.close @ leaves).tocsr()


def _deviations(odds: Floats, reached: "csr_array", truth: Mask, variance: float) -> Floats:
    """Most likely deviations of all leaves given what the saw showed, (leaves,)."""
    from scipy.optimize import minimize
    from scipy.special import expit

    # In units of their own spread, so that shops that do not differ are no special case.
    share, back = np.sqrt(variance) * reached, np.sqrt(variance) * reached.T.tocsr()
    sign = np.where(truth, 1.0, -1.0)

    def surprise(unit: Floats) -> tuple[float, Floats]:
        log_odds = odds + share @ unit
        value = np.logaddexp(0, -sign * log_odds).sum() + unit @ unit / 2
        return float(value), back @ (expit(log_odds) - truth) + unit

    def curvature(unit: Floats, along: Floats) -> Floats:
        probability = expit(odds + share @ unit)
        return np.asarray(back @ (probability * (1 - probability) * (share @ along)) + along)

    start = np.zeros(reached.shape[1])
    found = minimize(
        surprise, start, jac=True, hessp=curvature, method="trust-ncg", options={"gtol": SETTLED}
    )
    return np.asarray(np.sqrt(variance) * found.x)
