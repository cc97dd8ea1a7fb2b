"""A scanned zone, screened: what the back wall has lost, and what comes back before it, decide.

A delamination inside the beam reflects what the back wall no longer receives. Where it fills half the beam,
its echo has half its full amplitude and the back wall has lost half of its own: the 6 dB rule at which edges
are drawn for reflectors wider than the beam. The score is the larger of the two shares, over one half. Yet
a layer that returns a share R is crossed twice by what the back wall returns, and takes at least R² from it.
So an echo from inside counts at most as the root of what the back wall has lost: one that takes nothing is a
ply's.

Where the plan says that an insert is bonded to the inner wall, the bond changes what comes back: it takes
energy out, turns the back wall over or lets an echo of the insert's follow. Where the insert has come away,
the back wall is as strong as that of the wall by itself. Half way between the two half the beam is on
bond: the same rule (`tapscan.screening.echoes.bonds`). The two must be well apart. A lost back wall shows
nothing where the bond takes most of it anyway; an echo from inside does, as everywhere.
"""

import math
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import sentence
from tapscan.plan import Zone, block_mask
from tapscan.screening.areas.indications import Area, Evidence, find_indications, strength_of, zone_areas
from tapscan.screening.echoes.bonds import HALF, Bond, resolved_bond
from tapscan.screening.echoes.levels import (
    MIN_READINGS,
    amplitude,
    chance_law,
    is_beyond_chance,
    sound_level,
    spread,
)
from tapscan.screening.echoes.readings import EchoReadings
from tapscan.screening.echoes.thickness import dead_mm, thickness_words, thin_score
from tapscan.screening.echoes.twins import SAME_TIME, Expected
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD, AScanEvidence, Screened
from tapscan.signals.echoes.losses import loss_db_per_s

__all__ = ["screen_ascans"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Echoes of one delamination: so many points away at most.
NEIGHBOURS = 2
# The loss is measured to a third, and too large where it grows faster than frequency. So much is allowed for
# at most: an echo that fills the beam, at least as strong as the back wall, still counts as half a beam.
MOST_SPARED_DB = 6.0
# A back wall that was not found is this far below what was expected, for the table's and the score's sake.
LOST_DB = -40.0
# In times the suspect limit: what takes three quarters of the beam is listed, however few readings there are
# to say what chance does.
LISTED_SCORE = 1.5
# How far a bond's strength must be below that of none, in robust standard deviations of the bonded ones'.
LEAST_STEP_SPREADS = 8.0
# What a bond leaves of the back wall's amplitude; more, and it is its shape that changes. What is less than
# the second is not turned over, but gone.
TAKES_ENERGY, TURNED = 0.8, 0.1


@dataclass(frozen=True, slots=True, eq=False)
class _Good:
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


def screen_ascans(
    zone: Zone,
    readings: EchoReadings,
    false_call_rate: float,
    warnings: list[str],
    expected: Expected | None = None,
) -> Screened:
    """Hold every A-scan of a zone against the back wall that is expected there.

    What is `expected` by other scans of the like takes the place of the zone's own baseline where it says
    anything; behind bonds it does not.
    """
    reference, skipped = block_mask(zone, zone.reference), block_mask(zone, zone.skip)
    reason = readings.reason.copy()
    read = (reason == "") & ~skipped
    good = _what_is_good(zone, readings, read, warnings)
    if expected is not None:
        good = _as_expected(good, expected)
    if not np.isfinite(good.free_db).any():
        reason[read] = "no baseline"
        what = f"{good.words[:1].lower()}{good.words[1:-1]}"
        warnings.append(sentence(f"zone {zone.code}", what, "scan more of the zone"))
        read &= False
    score, p_value, is_disbond = _judged(readings, good, read, expected, closed=zone.is_tube)
    status = np.where((score >= 1) & (p_value < false_call_rate), SUSPECT, CLEAR)
    unknown = read & ~np.isfinite(p_value)
    reason[unknown] = "no baseline"
    read &= ~unknown
    features = _features(zone, readings, read)
    shortfall = thin_score(zone, features["thickness_mm"], read)
    thin = (shortfall >= 1) & (status == CLEAR)
    status[thin], p_value[thin] = SUSPECT, 0.0
    score[thin] = shortfall[thin]
    status[~read] = UNREAD
    status[skipped] = SKIPPED
    reason[status == SKIPPED] = ""
    depth_mm = np.where(is_disbond | thin, features["thickness_mm"], features["depth_mm"])
    areas = [
        area
        for area in _areas(zone, status == SUSPECT, is_disbond, thin)
        if area.kind == "thin"
        or score[area.members].max() >= LISTED_SCORE
        or is_beyond_chance(p_value[area.members], int(read.sum()), false_call_rate)
    ]
    evidence = Evidence(score, strength_of(score), status == UNREAD, depth_mm)
    wall = thickness_words(zone, features["thickness_mm"], status == CLEAR, readings.frequency_hz)
    return Screened(
        zone=zone,
        method="ascan",
        status=status,
        reason=reason,
        score=score,
        p_value=p_value,
        is_reference=reference,
        features=features,
        indications=find_indications(zone, "ascan", areas, evidence),
        baseline=f"{good.words} {wall}".rstrip(),
        evidence=_shown(zone, readings, status == CLEAR, score),
    )


def _as_expected(good: _Good, expected: Expected) -> _Good:
    """Put what scans of the like let expect in place of the zone's own baseline, but not behind bonds."""
    known = np.isfinite(expected.backwall_db) & ~good.bonded
    return replace(
        good,
        free_db=np.where(known, expected.backwall_db, good.free_db),
        steep_db=np.where(known, 0.0, good.steep_db),
        words=expected.words,
    )


def _shown(zone: Zone, readings: EchoReadings, clear: Mask, score: Floats) -> AScanEvidence:
    """Give what the report and the page show of each trace."""
    echoes = readings.echoes
    return AScanEvidence(
        traces=readings.traces,
        sample_rate_hz=readings.sample_rate_hz,
        front_us=echoes.front_s * 1e6,
        echo_us=(echoes.front_s + echoes.echo_s) * 1e6,
        backwall_us=echoes.backwall_s * 1e6,
        typical_trace=_typical_trace(readings, clear, score),
        dead_mm=dead_mm(zone, readings.frequency_hz),
    )


def _areas(zone: Zone, suspect: Mask, is_disbond: Mask, thin: Mask) -> list[Area]:
    """Group the suspect points of each kind by themselves."""
    return [
        *zone_areas(zone, suspect & ~is_disbond & ~thin),
        *zone_areas(zone, suspect & thin, "thin"),
        *zone_areas(zone, suspect & is_disbond & ~thin, "disbond"),
    ]


def _what_is_good(zone: Zone, readings: EchoReadings, read: Mask, warnings: list[str]) -> _Good:
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
    return _Good(free_db, steep_db, bonded, loose, masked, bond.separation, f"{words} {bonds}")


def _done_by(bond: Bond) -> str:
    """Say what a sound bond does to the back wall."""
    if bond.left < -TURNED:
        return "turns it over"
    if bond.left > TAKES_ENERGY:
        return "changes its shape"
    return f"takes {min(-_level_db(abs(bond.left)), 40.0):.0f} dB out of it"


def _level_db(amplitude: float) -> float:
    return 20 * math.log10(max(amplitude, 1e-9))


def _unbonded(free_db: Floats, steep_db: Floats, words: str) -> _Good:
    """Good laminate without a bond behind it, or none that could show a disbond."""
    unknown = np.full(free_db.shape, np.nan)
    return _Good(free_db, steep_db, np.zeros(free_db.shape, dtype=bool), unknown, unknown, np.nan, words)


def _without_bonds(zone: Zone, readings: EchoReadings, read: Mask, bonded: Mask, reference: Mask) -> _Good:
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


def _judged(
    readings: EchoReadings, good: _Good, read: Mask, expected: Expected | None, *, closed: bool
) -> tuple[Floats, Floats, Mask]:
    """Give score, p-value and whether it is the bond that is in doubt, each (stations, positions).

    Behind bonds the p-value is that of a normal law with the scatter that Fisher's discriminant found; it is
    small wherever the score counts.
    """
    from scipy.stats import norm

    free = 10 ** (good.free_db / 20)
    lost = _lost_share(readings, good.free_db) * 10 ** (good.steep_db / 20)
    inside = _inside_share(readings, free, read, closed=closed)
    inside = np.where(good.bonded, inside, np.minimum(inside, np.sqrt(np.maximum(lost, 0))))
    if expected is not None:
        inside = inside - expected.known_share
    doubt = np.where(good.bonded, np.maximum(good.loose, good.masked), lost)
    score = np.where(read, np.maximum(np.maximum(doubt, inside), 0.0) / HALF, np.nan)
    beside = ~good.bonded
    p_value = norm.sf(score * HALF * good.separation)
    usual = doubt if expected is None else expected.wander
    p_value[beside] = _p_value(score[beside], usual[beside], read[beside])
    is_loose = (good.loose >= HALF) & (good.loose > inside) & (good.loose > good.masked)
    return score, p_value, good.bonded & is_loose


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


def _features(zone: Zone, readings: EchoReadings, read: NDArray[np.bool_]) -> dict[str, Floats]:
    """Put the measured columns in the table's units; what the plan's velocity does not give stays empty."""
    echoes = readings.echoes
    half_velocity = np.nan if zone.laminate.velocity_m_s is None else zone.laminate.velocity_m_s / 2 * 1e3
    columns = {
        "tof_us": echoes.tof_s * 1e6,
        "depth_mm": echoes.echo_s * half_velocity,
        "thickness_mm": echoes.tof_s * half_velocity,
        "backwall_db": echoes.backwall_db,
        "echo_db": echoes.echo_db,
        "snr_db": echoes.snr_db,
    }
    return {name: np.where(read, values, np.nan) for name, values in columns.items()}


def _typical_trace(readings: EchoReadings, clear: NDArray[np.bool_], score: Floats) -> Floats:
    """Pick the clear trace with the median score: a real trace, not an average of shifted ones."""
    if not clear.any():
        return np.full(readings.traces.shape[2], np.nan)
    candidates = np.argwhere(clear)
    middle = np.argsort(score[clear], kind="stable")[len(candidates) // 2]
    return np.asarray(readings.traces[tuple(candidates[middle])], dtype=float)
