"""What sound laminate sends back: the back wall expected at each point, beside bonds and behind them.

Where the plan says that an insert is bonded to the inner wall, the bond changes what comes back: it takes
energy out, turns the back wall over or lets an echo of the insert's follow. Where the insert has come away,
the back wall is as strong as that of the wall by itself. Half way between the two half the beam is on
bond: the same rule (`tapscan.screening.echoes.bonds`). The two must be well apart. A lost back wall shows
nothing where the bond takes most of it anyway; an echo from inside does, as everywhere.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import sentence
from tapscan.plan import Zone, block_mask
from tapscan.screening.echoes.bonds import HALF, Bond, resolved_bond
from tapscan.screening.echoes.levels import MIN_READINGS, amplitude, sound_level, spread
from tapscan.screening.echoes.readings import EchoReadings
from tapscan.screening.echoes.twins import Expected

__all__ = ["Baseline", "baseline_of"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# How far a bond's strength must be below that of none, in robust standard deviations of the bonded ones'.
LEAST_STEP_SPREADS = 8.0
# What a bond leaves of the back wall's amplitude; more, and it is its shape that changes. What is less than
# the second is not turned over, but gone.
TAKES_ENERGY, TURNED = 0.8, 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """What good laminate sends back: `free_db` (stations, positions) the back wall of the wall by itself.

    `steep_db`, at most 0, is how much of it the wall's slope takes: what is left there is less than a beam.
    `bonded` marks the points where an insert changes that, `loose` (stations, positions) is the share of
    their beam that has no bond behind it, and `masked` the share of it that nothing comes back from where a
    bond leaves most of the back wall. `separation` standard deviations of sound readings make a whole share.
    """

    free_db: Floats
    steep_db: Floats
    bonded: Mask
    loose: Floats
    masked: Floats
    separation: float
    words: str


def baseline_of(
    zone: Zone, readings: EchoReadings, read: Mask, expected: Expected | None, warnings: list[str]
) -> Baseline:
    """Give the back wall of sound laminate, by the zone itself or by what other scans let expect of it.

    What is `expected` takes the place of the zone's own baseline where it says anything, but not behind
    bonds.
    """
    own = _own_baseline(zone, readings, read, warnings)
    if expected is None:
        return own
    known = np.isfinite(expected.backwall_db) & ~own.bonded
    return replace(
        own,
        free_db=np.where(known, expected.backwall_db, own.free_db),
        steep_db=np.where(known, 0.0, own.steep_db),
        words=expected.words,
    )


def _own_baseline(zone: Zone, readings: EchoReadings, read: Mask, warnings: list[str]) -> Baseline:
    """Give the back wall of good laminate, beside bonds and behind them."""
    bonded = block_mask(zone, zone.bonded)
    reference = block_mask(zone, zone.reference)
    if bonded.any() and min((read & bonded).sum(), (read & ~bonded).sum()) < MIN_READINGS:
        what = f"fewer than {MIN_READINGS} readings on bonded points, or beside them"
        warnings.append(
            sentence(f"zone {zone.code}", f"{what}: no disbond can be detected", "scan more of the zone")
        )
        return _without_bonds(zone, readings, read, bonded, reference)
    free_db, steep_db, words = _expected_backwall_db(zone, readings, read & ~bonded, reference & ~bonded)
    if not (bonded.any() and np.isfinite(free_db).any()):
        return _unbonded(free_db, steep_db, words)
    # The part's slow changes, known beside the bond, are not carried on behind it.
    free_db = np.where(bonded, np.median(free_db[read & ~bonded]), free_db)
    marked = read & bonded & reference
    resting = marked if marked.sum() >= MIN_READINGS else read & bonded
    bond = resolved_bond(readings, read & bonded, resting, read & ~bonded)
    size, free = amplitude(readings.echoes.backwall_db), float(10 ** (free_db[bonded][0] / 20))
    left = float(np.median(size[resting]))
    if not bond.is_resolved:
        what = "behind the bonds the same comes back as beside them, so that no disbond can be detected"
        warnings.append(sentence(f"zone {zone.code}", what, "check which points are bonded"))
        # Delaminations of the wall still show there, against the bonded points' own level.
        return _unbonded(np.where(bonded, _level_db(left), free_db), steep_db, words)
    loose = bond.loose
    if free - left > max(HALF * free, LEAST_STEP_SPREADS * spread(size[resting])):
        # Glue that an insert has come away from gives all back, but late and so in another shape.
        loose = np.maximum(loose, (size - left) / (free - left))
    bonds = f"Behind {int(bonded.sum())} points an insert is bonded, which {_done_by(bond)} by most of them."
    # A bond that leaves most of the back wall lets a delamination above it be seen by its loss, too.
    masked = 1 - bond.returned if bond.left > HALF else np.full_like(loose, -np.inf)
    return Baseline(free_db, steep_db, bonded, loose, masked, bond.separation, f"{words} {bonds}")


def _done_by(bond: Bond) -> str:
    """Say what a sound bond does to the back wall."""
    if bond.left < -TURNED:
        return "turns it over"
    if bond.left > TAKES_ENERGY:
        return "changes its shape"
    return f"takes {min(-_level_db(abs(bond.left)), 40.0):.0f} dB out of it"


def _level_db(amplitude: float) -> float:
    return 20 * math.log10(max(amplitude, 1e-9))


def _unbonded(free_db: Floats, steep_db: Floats, words: str) -> Baseline:
    """Good laminate without a bond behind it, or none that could show a disbond."""
    unknown = np.full(free_db.shape, np.nan)
    return Baseline(free_db, steep_db, np.zeros(free_db.shape, dtype=bool), unknown, unknown, np.nan, words)


def _without_bonds(zone: Zone, readings: EchoReadings, read: Mask, bonded: Mask, reference: Mask) -> Baseline:
    """Take the smaller of the bonded points and the rest as they are, and judge the larger by itself."""
    few = read & (bonded if (read & bonded).sum() < (read & ~bonded).sum() else ~bonded)
    free_db, steep_db, words = _expected_backwall_db(zone, readings, read & ~few, reference & ~few)
    seen_db = readings.echoes.backwall_db[few & np.isfinite(readings.echoes.backwall_db)]
    if seen_db.size:
        free_db = np.where(few, np.median(seen_db), free_db)
    return _unbonded(free_db, steep_db, words)


def _expected_backwall_db(
    zone: Zone, readings: EchoReadings, read: Mask, reference: Mask
) -> tuple[Floats, Floats, str]:
    """Give the back wall over the front-surface echo of good laminate, what slopes take, and its source."""
    seen = np.where(read, readings.echoes.backwall_db, np.nan)
    count = int(np.isfinite(seen).sum())
    if count < MIN_READINGS:
        words = f"A back wall at {count} points only, too few for a baseline."
        return np.full(zone.grid_shape, np.nan), np.zeros(zone.grid_shape), words
    level = sound_level(zone, seen, reference, readings.echoes.due_s)
    marked = int((reference & np.isfinite(seen)).sum())
    source = f"{marked} points marked as good and those that agree with them" if marked else "the zone itself"
    kept = int(level.kept.sum())
    words = f"The back wall expected here comes from {source}: {kept} readings, smooth over the part."
    return level.expected, np.minimum(level.expected - level.flat, 0.0), words
