"""Hold what tapscan says of simulated parts against what is in them: ``python -m tests.independent.judge``.

The parts come from `tests.independent.taps`, `tests.independent.ascans` and `tests.independent.modes`, which
share nothing with the simulator that tapscan carries. A defect counts as found when an indication has a point
whose cell reaches into it; an indication is false when none of its points is within `FAR_MM` of a rim.
Points between the rim and `FAR_MM` beyond it are left out of false calls and of the ROC area: a tap there
hears half of the defect.
"""

import argparse
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table
from scipy.stats import rankdata

import tapscan
from tests.independent.ascans import AScanTruth, Probe, Wall, ascan_inspection, drawn
from tests.independent.modes import ModesTruth, modes_inspection
from tests.independent.shell import Array, Defect, Tube
from tests.independent.taps import TapTruth, rim_distance_mm, tap_inspection
from tests.independent.taps import drawn as drawn_tap

__all__ = ["FAR_MM", "Verdict", "damaged_third", "draw_defects", "judge", "roc_area", "sized"]

FAR_MM = 10.0
WIDE_RADIUS_MM = 14.0


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """One zone seen by one method. Lists have one entry per defect; scores are those of points in and far."""

    label: str
    defects: tuple[Defect, ...]
    found: tuple[bool, ...]
    size_ratio: tuple[float, ...]  # area reported over true area, NaN when missed
    covered: tuple[bool | None, ...]  # the bounds hold the true area, None when missed
    false_indications: int
    false_calls: int
    far_points: int
    inside_points: int
    inside_suspect: int
    unread: int
    score_in: Array
    score_far: Array
    p_far: Array
    baseline: str
    seconds: float

    @property
    def area(self) -> float:
        return roc_area(self.score_in, self.score_far)


def roc_area(inside: Array, outside: Array) -> float:
    """Chance that a damaged point scores above a good one (Mann-Whitney); NaN when either is empty."""
    if not inside.size or not outside.size:
        return float("nan")
    ranks = rankdata(np.concatenate([inside, outside]))
    return float(
        (ranks[: inside.size].sum() - inside.size * (inside.size + 1) / 2) / inside.size / outside.size
    )


def _numbers(point: str) -> tuple[int, int]:
    _, station, position = point.split("-")
    return int(station) - 1, int(position) - 1


def _rims(truth: TapTruth | AScanTruth | ModesTruth, girth_mm: Array | float | None) -> Array:
    """Distance of every point from each defect's rim, (defects, stations, positions)."""
    girth = np.inf if girth_mm is None else girth_mm
    if girth_mm is None:  # a panel: no way round
        girth = 1e9
    rims = [rim_distance_mm(truth.x_mm, truth.s_mm, np.asarray(girth), (d,)) for d in truth.defects]
    return np.array(rims).reshape(-1, *truth.x_mm.shape)


def judge(
    screened: Any,
    truth: TapTruth | AScanTruth | ModesTruth,
    label: str,
    *,
    half_cell_mm: float,
    rims: Array,
    seconds: float,
) -> Verdict:
    """Hold one screened zone against the truth."""
    nearest = rims.min(axis=0) if len(rims) else np.full(truth.x_mm.shape, np.inf)
    read = ~np.isin(screened.status, ("unread", "skipped"))
    suspect = screened.status == "suspect"
    inside, far = read & (nearest < 0), read & (nearest > FAR_MM)
    areas = [float(np.pi * np.prod(d.radii_mm)) for d in truth.defects]
    found, ratios, covered = sized(screened.indications, areas, rims < half_cell_mm)
    false = sum(all(nearest[_numbers(q)] > FAR_MM for q in i.points) for i in screened.indications)
    score = np.nan_to_num(screened.score, nan=-np.inf)
    return Verdict(
        label=label,
        defects=truth.defects,
        found=found,
        size_ratio=ratios,
        covered=covered,
        false_indications=false,
        false_calls=int((suspect & far).sum()),
        far_points=int(far.sum()),
        inside_points=int(inside.sum()),
        inside_suspect=int((suspect & inside).sum()),
        unread=int((~read).sum()),
        score_in=score[inside],
        score_far=score[far],
        p_far=screened.p_value[far],
        baseline=screened.baseline,
        seconds=seconds,
    )


def sized(
    indications: Any, areas_mm2: Sequence[float], reach: NDArray[np.bool_]
) -> tuple[tuple[bool, ...], tuple[float, ...], tuple[bool | None, ...]]:
    """Per defect: found, area reported over true area, and whether the bounds hold.

    `reach` (defects, stations, positions) marks points whose cell reaches into each defect. Defects that one
    indication joins are sized together: the map does not separate them, and need not.
    """
    touches = np.array(
        [[any(cells[_numbers(q)] for q in i.points) for i in indications] for cells in reach], dtype=bool
    ).reshape(len(areas_mm2), len(indications))
    found, ratios, covered = [], [], []
    for row in touches:
        joint, joined = row, row[None] @ touches.T > 0
        for _ in areas_mm2:
            joint = (joined @ touches > 0).ravel()
            joined = (joint[None] @ touches.T) > 0
        true_mm2 = sum(area for area, is_in in zip(areas_mm2, joined.ravel(), strict=True) if is_in)
        hits = [i for i, is_in in zip(indications, joint, strict=True) if is_in]
        found.append(bool(hits))
        ratios.append(float(sum(i.area_mm2 for i in hits) / true_mm2) if hits else float("nan"))
        low, high = sum(i.area_low_mm2 for i in hits), sum(i.area_high_mm2 for i in hits)
        covered.append(bool(low <= true_mm2 <= high) if hits else None)
    return tuple(found), tuple(ratios), tuple(covered)


def draw_defects(
    rng: np.random.Generator,
    count: int,
    *,
    length_mm: float,
    girth_mm: float,
    radius_mm: tuple[float, float],
    depth_mm: tuple[float, float],
) -> tuple[Defect, ...]:
    """Draw delaminations that neither touch each other nor leave the part; any of them may cross the seam."""
    chosen: list[Defect] = []
    for _ in range(1000):
        if len(chosen) == count:
            break
        radius = rng.uniform(*radius_mm)
        margin = radius + 5
        new = Defect(
            rng.uniform(margin, length_mm - margin), rng.uniform(0, girth_mm), radius, rng.uniform(*depth_mm)
        )
        if all(_gap_mm(new, old, girth_mm) > 25 for old in chosen):
            chosen.append(new)
    return tuple(chosen)


def _gap_mm(one: Defect, other: Defect, girth_mm: float) -> float:
    ds = (one.s_mm - other.s_mm + girth_mm / 2) % girth_mm - girth_mm / 2
    return float(np.hypot(one.x_mm - other.x_mm, ds) - one.radius_mm - other.radius_mm)


def damaged_third(rng: np.random.Generator, *, length_mm: float, girth_mm: float) -> tuple[Defect, ...]:
    """Delaminations that together take about a third of the part."""
    chosen: list[Defect] = []
    for _ in range(4000):
        if sum(np.pi * d.radius_mm**2 for d in chosen) > 0.33 * length_mm * girth_mm:
            break
        radius = rng.uniform(18, 30)
        new = Defect(
            rng.uniform(radius, length_mm - radius), rng.uniform(0, girth_mm), radius, rng.uniform(0.4, 0.8)
        )
        if all(_gap_mm(new, old, girth_mm) > 2 for old in chosen):
            chosen.append(new)
    return tuple(chosen)


def _analyse(folder: Path, rate: float | None = None) -> tuple[Any, float]:
    start = time.perf_counter()
    inspection = tapscan.open_inspection(folder)
    if rate is not None:
        inspection = replace(inspection, plan=replace(inspection.plan, false_call_rate=rate))
    results = tapscan.analyse(inspection)
    return results, time.perf_counter() - start


def judge_tap_part(
    defects: tuple[Defect, ...],
    seed: int,
    label: str,
    *,
    girth_mm: tuple[float, float] = (120.0, 120.0),
    tube: Tube | None = None,
    rates: Iterable[float | None] = (None,),
    snr_db: tuple[float, float] = (25.0, 40.0),
) -> list[Verdict]:
    """Make one part, tap it, analyse it at each false-call rate, and judge."""
    with tempfile.TemporaryDirectory() as folder:
        truth = tap_inspection(
            folder, defects=defects, seed=seed, girth_mm=girth_mm, tube=tube, snr_db=snr_db
        )
        girth = 2e3 * np.pi * truth.part.modes.tube.radius_m(truth.x_mm / 1e3)
        rims = _rims(truth, girth)
        verdicts = []
        for rate in rates:
            results, seconds = _analyse(Path(folder), rate)
            (screened,) = (s for s in results.screened if s.method == "tap")
            name = label if rate is None else f"{label} @ {rate:g}"
            verdicts.append(judge(screened, truth, name, half_cell_mm=5.0, rims=rims, seconds=seconds))
        return verdicts


def tap_verdicts(seeds: Iterable[int], say: Callable[[str], Any], *, curved: bool = True) -> list[Verdict]:
    """One damaged part and one sound part per seed; every third part tapers."""
    verdicts = []
    for seed in seeds:
        rng = np.random.default_rng([seed, 11])
        girth = (120.0, 100.0) if seed % 3 == 2 else (120.0, 120.0)
        tube = None if curved else replace(_drawn_tube(seed), curved_discs=False)
        defects = draw_defects(
            rng, 2, length_mm=400, girth_mm=min(girth), radius_mm=(12, 30), depth_mm=(0.4, 0.8)
        )
        verdicts += judge_tap_part(defects, seed, f"two defects, seed {seed}", girth_mm=girth, tube=tube)
        say(_line(verdicts[-1]))
        verdicts += judge_tap_part((), seed + 1000, f"sound, seed {seed + 1000}", girth_mm=girth)
        say(_line(verdicts[-1]))
    return verdicts


def judge_modes_part(
    defects: tuple[Defect, ...],
    seed: int,
    label: str,
    *,
    girth_mm: tuple[float, float] = (120.0, 120.0),
) -> Verdict:
    """Make one tube of bare modes, tap it, analyse it, and judge."""
    with tempfile.TemporaryDirectory() as folder:
        truth = modes_inspection(folder, defects=defects, seed=seed, girth_mm=girth_mm)
        results, seconds = _analyse(Path(folder))
        (screened,) = results.screened
        rims = _rims(truth, truth.girth_mm)
        return judge(screened, truth, label, half_cell_mm=5.0, rims=rims, seconds=seconds)


def modes_verdicts(seeds: Iterable[int], say: Callable[[str], Any]) -> list[Verdict]:
    """Three tubes of bare modes per seed: two defects, sound, a third damaged; every third seed's taper."""
    verdicts = []
    for seed in seeds:
        rng = np.random.default_rng([seed, 15])
        girth = (120.0, 100.0) if seed % 3 == 2 else (120.0, 120.0)
        two = draw_defects(
            rng, 2, length_mm=400, girth_mm=min(girth), radius_mm=(12, 30), depth_mm=(0.4, 0.8)
        )
        third = damaged_third(rng, length_mm=400, girth_mm=min(girth))
        for defects, number, what in (
            (two, seed, "two defects"),
            ((), seed + 1000, "sound"),
            (third, seed + 2000, "a third damaged"),
        ):
            verdicts.append(judge_modes_part(defects, number, f"{what}, seed {number}", girth_mm=girth))
            say(_line(verdicts[-1]))
    return verdicts


def _drawn_tube(seed: int) -> Tube:
    return drawn_tap(np.random.default_rng([seed, 2]))[0]


def _line(v: Verdict) -> str:
    parts = [
        f"r {d.radius_mm:.0f} depth {d.depth_mm:.2f} at x {d.x_mm:.0f} {'found' if f else 'MISSED'}"
        + (f" area ×{ratio:.2f}" if f else "")
        for d, f, ratio in zip(v.defects, v.found, v.size_ratio, strict=True)
    ]
    rate = v.false_calls / max(v.far_points, 1)
    roc = f", ROC {v.area:.3f}, inside {v.inside_suspect}/{v.inside_points}" if v.defects else ""
    return (
        f"{v.label}: {'; '.join(parts) or 'no defect'}; false {v.false_indications}, "
        f"false calls {rate:.4f}{roc}, unread {v.unread}, {v.seconds:.1f} s"
    )


def _summary(title: str, verdicts: list[Verdict]) -> Table:
    """What all parts of a kind come to."""
    table = Table(title=title)
    table.add_column("figure")
    table.add_column("value", justify="right")
    pairs = [(d, f) for v in verdicts for d, f in zip(v.defects, v.found, strict=True)]
    wide = [f for d, f in pairs if d.radius_mm >= WIDE_RADIUS_MM]
    ratios = np.array([r for v in verdicts for r in v.size_ratio if np.isfinite(r)])
    covered = [c for v in verdicts for c in v.covered if c is not None]
    damaged, sound = [v for v in verdicts if v.defects], [v for v in verdicts if not v.defects]
    rows: list[tuple[str, str]] = [("defects found", f"{sum(f for _, f in pairs)} of {len(pairs)}")]
    rows.append((f"  of radius ≥ {WIDE_RADIUS_MM:g} mm", f"{sum(wide)} of {len(wide)}"))
    for name, group in (("damaged", damaged), ("sound", sound)):
        if group:
            calls, points = sum(v.false_calls for v in group), sum(v.far_points for v in group)
            rows.append(
                (
                    f"false indications per zone, {name}",
                    f"{np.mean([v.false_indications for v in group]):.2f}",
                )
            )
            rows.append(("  worst zone", str(max(v.false_indications for v in group))))
            rows.append((f"false-call rate, {name}", f"{calls / points:.4f} ({calls} of {points})"))
    if damaged:
        areas = [v.area for v in damaged]
        pooled = roc_area(
            np.concatenate([v.score_in for v in damaged]), np.concatenate([v.score_far for v in damaged])
        )
        rows.append(("ROC area per zone, mean / least", f"{np.nanmean(areas):.3f} / {np.nanmin(areas):.3f}"))
        rows.append(("ROC area, all points together", f"{pooled:.3f}"))
    if ratios.size:
        rows.append(
            (
                "area reported / true, median (5 to 95 %)",
                "{1:.2f} ({0:.2f} to {2:.2f})".format(*np.quantile(ratios, (0.05, 0.5, 0.95))),
            )
        )
        rows.append(("bounds hold the true area", f"{sum(covered)} of {len(covered)}"))
    rows.append(("seconds per analyse", f"{np.mean([v.seconds for v in verdicts]):.1f}"))
    for row in rows:
        table.add_row(*row)
    return table


def rate_table(seeds: Iterable[int], rates: tuple[float, ...], say: Callable[[str], Any]) -> Table:
    """Delivered against asked false-call rate on sound parts, every third tapered."""
    counts = {rate: [0, 0] for rate in rates}
    for seed in seeds:
        girth = (120.0, 100.0) if seed % 3 == 2 else (120.0, 120.0)
        for rate, v in zip(
            rates, judge_tap_part((), seed + 2000, f"sound {seed}", girth_mm=girth, rates=rates), strict=True
        ):
            counts[rate][0] += v.false_calls
            counts[rate][1] += v.far_points
            say(_line(v))
    table = Table("asked", "delivered", "ratio", title="False-call rate on sound parts")
    for rate, (calls, points) in counts.items():
        table.add_row(
            f"{rate:g}", f"{calls / points:.5f} ({calls} of {points})", f"{calls / points / rate:.2f}"
        )
    return table


@dataclass(frozen=True, slots=True, eq=False)
class AScanErrors:
    """Depth error of found defects in mm, relative thickness error of good points.

    `depth_mm` is compared with the interface in mid-beam, `beam_depth_mm` with the nearest of those within
    half a beam: where a delamination jumps to another ply, both are there.
    """

    depth_mm: Array
    beam_depth_mm: Array
    thickness: Array
    no_thickness: int
    wide_ratio: Array  # area reported over true, defects wider than three beams; NaN when missed


def nearest_error(depth: Array, depths: Array) -> Array:
    """What was measured (n,) less the nearest of what is there (n, k), NaN among those for none."""
    error = depth[:, None] - depths
    nearest = np.argmin(np.where(np.isfinite(error), np.abs(error), np.inf), axis=1)
    return error[np.arange(len(depth)), nearest] if len(depth) else depth


def wide_ratios(verdict: Verdict, beam_mm: float) -> Array:
    """Area reported over true of the defects wider than three beams, NaN where one was missed."""
    sized = zip(verdict.defects, verdict.size_ratio, strict=True)
    return np.array([ratio for d, ratio in sized if 2 * d.radius_mm > 3 * beam_mm], dtype=float)


def judge_ascan_part(
    defects: tuple[Defect, ...],
    seed: int,
    label: str,
    *,
    wall: Wall,
    probe: Probe,
    disbonds: tuple[Defect, ...] = (),
) -> tuple[Verdict, AScanErrors]:
    """Make one panel, scan it, analyse it, and judge."""
    with tempfile.TemporaryDirectory() as folder:
        truth = ascan_inspection(
            folder, defects=defects, seed=seed, wall=wall, probe=probe, disbonds=disbonds
        )
        results, seconds = _analyse(Path(folder))
        (screened,) = (s for s in results.screened if s.method == "ascan")
        verdict = judge(screened, truth, label, half_cell_mm=2.0, rims=_rims(truth, None), seconds=seconds)
        deep_inside = (truth.rim_mm < -0.5 * probe.beam_mm) & np.isfinite(truth.depth_mm)
        depth, far = np.asarray(screened.features["depth_mm"]), truth.rim_mm > FAR_MM
        thickness = np.asarray(screened.features["thickness_mm"])[far] / truth.thickness_mm[far] - 1
        errors = AScanErrors(
            (depth - truth.depth_mm)[deep_inside],
            nearest_error(depth[deep_inside], truth.beam_depths_mm[deep_inside]),
            thickness,
            int(np.isnan(thickness).sum()),
            wide_ratios(verdict, probe.beam_mm),
        )
    return verdict, errors


def ascan_verdicts(
    seeds: Iterable[int], say: Callable[[str], Any]
) -> tuple[list[Verdict], list[AScanErrors]]:
    """One damaged and one sound panel per seed."""
    verdicts, errors = [], []
    for seed in seeds:
        rng = np.random.default_rng([seed, 12])
        wall, probe = drawn(seed)
        depth = (0.4, wall.thickness_mm[0] - 0.4)
        defects = draw_defects(rng, 2, length_mm=160, girth_mm=1e6, radius_mm=(5, 18), depth_mm=depth)
        defects = tuple(replace(d, s_mm=rng.uniform(d.radius_mm + 2, 92 - d.radius_mm)) for d in defects)
        if len(defects) == 2 and _gap_mm(*defects, 1e6) < 15:
            defects = defects[:1]
        for some, number in ((defects, seed), ((), seed + 1000)):
            name = f"{wall.thickness_mm[0]:.1f} mm, {probe.bits} bit, seed {number}"
            verdict, error = judge_ascan_part(some, number, name, wall=wall, probe=probe)
            verdicts.append(verdict)
            errors.append(error)
            known = error.depth_mm[np.isfinite(error.depth_mm)]
            say(f"{_line(verdict)}; depth error {np.median(known) if known.size else np.nan:+.3f} mm")
    return verdicts, errors


# What is bonded behind: aluminium, laminate, plastic.
INSERTS_MRAYL = (17.0, 4.6, 3.1)
# x and s from, to: in the middle of the panel, at its end, and so small that a disbond takes half of it.
INSERT_PLACES = ((40.0, 120.0, 22.0, 70.0), (0.0, 60.0, -2.0, 98.0), (60.0, 84.0, 30.0, 54.0))


def bond_verdicts(
    seeds: Iterable[int], say: Callable[[str], Any], *, glue_stays: bool = False
) -> list[Verdict]:
    """One panel with an insert that has come off at a place, and one with a sound bond, for each seed."""
    verdicts = []
    for seed in seeds:
        rng = np.random.default_rng([seed, 14])
        plain, probe = drawn(seed)
        place = INSERT_PLACES[seed // len(INSERTS_MRAYL) % len(INSERT_PLACES)]
        wall = replace(
            plain,
            insert_mm=place,
            insert_mrayl=INSERTS_MRAYL[seed % len(INSERTS_MRAYL)],
            bond_mm=rng.uniform(0.05, 0.3),
            glue_stays=glue_stays,
        )
        radius = rng.uniform(6.0, 11.0)
        x_lo, x_hi, s_lo, s_hi = place[0], place[1], max(place[2], 0.0), min(place[3], 92.0)
        x_mm, s_mm = (
            rng.uniform(*sorted((low + radius + 2, high - radius - 2)))
            for low, high in ((x_lo, x_hi), (s_lo, s_hi))
        )
        loose = Defect(x_mm, s_mm, radius, wall.thickness_mm[0])
        for disbonds, number in (((loose,), seed), ((), seed + 1000)):
            name = f"{wall.insert_mrayl:g} MRayl, glue {wall.bond_mm:.2f} mm, seed {number}"
            verdict, _ = judge_ascan_part((), number, name, wall=wall, probe=probe, disbonds=disbonds)
            verdicts.append(verdict)
            say(_line(verdict))
    return verdicts


def _ascan_table(errors: list[AScanErrors]) -> Table:
    depth, beam, thickness = (
        np.concatenate([getattr(e, key) for e in errors])
        for key in ("depth_mm", "beam_depth_mm", "thickness")
    )
    table = Table("figure", "5 %", "median", "95 %", "none measured", title="A-scan depth and thickness")
    for name, values, unit in (
        ("depth error, mm", depth, 1),
        ("the same, from the nearest interface in the beam", beam, 1),
        ("thickness error, %", thickness, 100),
    ):
        known = values[np.isfinite(values)] * unit
        low, middle, high = np.quantile(known, (0.05, 0.5, 0.95)) if known.size else (np.nan,) * 3
        table.add_row(
            name,
            f"{low:+.3f}",
            f"{middle:+.3f}",
            f"{high:+.3f}",
            f"{values.size - known.size} of {values.size}",
        )
    for name, values in (("off by more than 0.05 mm", depth), ("the same, from the nearest", beam)):
        table.add_row(name, "", f"{np.count_nonzero(np.abs(values) > 0.05)}", "", f"of {values.size}")
    wide = np.concatenate([e.wide_ratio for e in errors])
    known = wide[np.isfinite(wide)]
    low, middle, high = (known.min(), np.median(known), known.max()) if known.size else (np.nan,) * 3
    table.add_row(
        "wider than three beams: area reported / true (least, median, most)",
        f"{low:.3f}",
        f"{middle:.3f}",
        f"{high:.3f}",
        f"{wide.size - known.size} of {wide.size}",
    )
    return table


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Judge tapscan's detection with the second simulator.")
    parser.add_argument("--seeds", type=int, default=10, help="parts of each kind")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument(
        "--what",
        nargs="*",
        default=["tap", "ascan"],
        choices=["tap", "flat", "third", "rates", "modes", "ascan", "bonds", "glue"],
    )
    arguments = parser.parse_args()
    console = Console(width=140, highlight=False)
    seeds = range(arguments.first, arguments.first + arguments.seeds)
    _judge_taps(arguments.what, seeds, console)
    _judge_ascans(arguments.what, seeds, console)


def _judge_taps(what: list[str], seeds: range, console: Console) -> None:
    if "tap" in what:
        console.print(
            _summary("Taps, sub-laminates curved as the tube is", tap_verdicts(seeds, console.print))
        )
    if "flat" in what:
        console.print(
            _summary("Taps, sub-laminates as flat plates", tap_verdicts(seeds, console.print, curved=False))
        )
    if "third" in what:
        verdicts = []
        for seed in seeds:
            defects = damaged_third(np.random.default_rng([seed, 13]), length_mm=400, girth_mm=120)
            verdicts += judge_tap_part(defects, seed + 3000, f"a third damaged, seed {seed}")
            console.print(_line(verdicts[-1]))
        console.print(_summary("Taps, a third of the part damaged", verdicts))
    if "rates" in what:
        console.print(rate_table(seeds, (0.001, 0.01, 0.05), console.print))
    if "modes" in what:
        verdicts = modes_verdicts(seeds, console.print)
        few, many = ([v for v in verdicts if (len(v.defects) > 2) is is_many] for is_many in (False, True))
        console.print(_summary("Taps, tubes of bare modes", few))
        console.print(_summary("Taps, tubes of bare modes, a third damaged", many))


def _judge_ascans(what: list[str], seeds: range, console: Console) -> None:
    if "ascan" in what:
        verdicts, errors = ascan_verdicts(seeds, console.print)
        console.print(_summary("A-scans", verdicts), _ascan_table(errors))
    if "bonds" in what:
        console.print(_summary("A-scans, bonded inserts", bond_verdicts(seeds, console.print)))
    if "glue" in what:
        verdicts = bond_verdicts(seeds, console.print, glue_stays=True)
        console.print(_summary("A-scans, inserts that left their glue behind", verdicts))


if __name__ == "__main__":
    main()
