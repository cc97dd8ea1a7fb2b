"""The damage class of one shop: what sectioned parts showed retrains it, by partial pooling.

A shop's hand, tapper and laminates differ from those of the training parts, and from each other less than
from nothing: so every leaf of the trained trees keeps its value, plus a deviation of this shop's own with a
normal law about zero. How wide that law is was measured in training, on families of parts and generators left
out (`tests/independent/train.py`). Points that were cut then say how far each leaf is moved: the most likely
deviations given the findings (Gelman & Hill, *Data Analysis Using Regression and Multilevel Models*, 2007;
Laplace's approximation as Rasmussen & Williams, *Gaussian Processes for Machine Learning*, 2006, algorithm
3.1 has it; both from memory). Leaves that no cut point reaches stay as trained, and with no findings at all
the class is the trained one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapscan.plan import Zone, block_mask
from tapscan.plan.nearness import nearness
from tapscan.screening.known import Known
from tapscan.screening.taps.baseline import pooled
from tapscan.screening.taps.damage import DamageClass, inputs
from tapscan.screening.taps.points import point_means
from tapscan.screening.taps.readings import TapReadings
from tapscan.screening.taps.screen import MIN_READINGS, REACH_MM, judged

if TYPE_CHECKING:
    from scipy.sparse import csr_array

__all__ = ["SectionedPart", "retrained", "sectioned_part"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

STEPS = 100  # numerical: Newton's method needs ten
SETTLED = 1e-8  # numerical: of a probability
DIGITS = 7  # numerical: the same sums in another order give the same leaves


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
    """Describe a zone that was cut as if it had just been tapped; None with too few readings."""
    points = point_means(readings.taps, readings.reason.size)
    if points.read.sum() < MIN_READINGS:
        return None
    near = nearness(zone, REACH_MM)
    baseline = judged(points, zone, block_mask(zone, zone.reference).ravel(), trained).baseline
    return SectionedPart(
        described=inputs(baseline, near),
        close=near.power(2),
        read=points.read,
        quiet=baseline.sound,
        sound=known.good.ravel(),
        damaged=known.separated.ravel(),
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
    variance = trained.shop_variance
    deviation = variance * (reached.T @ _surprise(odds, reached, truth, variance)) / trained.slope
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


def _surprise(odds: Floats, reached: "csr_array", truth: Mask, variance: float) -> Floats:
    """How far the truth is from its probability at the most likely deviations, (cut points,).

    Newton's method in the space of points; a step that overshoots is halved.
    """
    kernel = variance * (reached @ reached.T).toarray()
    surprise = np.zeros(truth.size)
    for _ in range(STEPS):
        moved = kernel @ surprise
        probability = 1 / (1 + np.exp(-odds - moved))
        root = np.sqrt(np.maximum(probability * (1 - probability), 1e-12))
        aim = root**2 * moved + truth - probability
        inner = np.eye(truth.size) + root[:, None] * kernel * root
        step = aim - root * np.linalg.solve(inner, root * (kernel @ aim)) - surprise
        least = _posterior(odds, kernel, surprise, truth)
        while np.abs(step).max() > SETTLED and _posterior(odds, kernel, surprise + step, truth) < least:
            step = step / 2
        surprise = surprise + step
        if np.abs(step).max() <= SETTLED:
            break
    return np.asarray(surprise)


def _posterior(odds: Floats, kernel: Floats, surprise: Floats, truth: Mask) -> float:
    """Log likelihood of the findings and of the deviations together."""
    moved = kernel @ surprise
    signed = np.where(truth, 1.0, -1.0) * (odds + moved)
    return float(-np.logaddexp(0, -signed).sum() - surprise @ moved / 2)
