"""Compare tapscan's A-scans with forty plain lines, on uneven walls: ``python -m tests.independent.walls``.

Each family is scanned damaged and sound. A defect counts as found when an indication has a point inside it;
an indication that comes no nearer to any than half a beam and one pitch is false, and so is every point that
is called beyond that. The families under `KEPT_BACK` chose nothing: they are run once, by ``--kept-back``.
``--sound 200`` scans as many small sound zones, each with a wall, probe, grid and noise drawn at random
(`drawn`), and ``--damaged 200`` such zones with two delaminations; numbers from 9000 on are kept back.
"""

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.ndimage import label, median_filter, uniform_filter
from scipy.signal import hilbert

import tapscan
from tests.independent.panels import VELOCITY_M_S, Panel, Scanned, cut, scanned, written
from tests.independent.shell import Array, Defect

__all__ = ["FAMILIES", "KEPT_BACK", "Outcome", "drawn", "judged", "plain_lines"]

Field = Callable[[Array, Array], Array]


def waves(share: float, along_mm: float, across_mm: float, thick_mm: float = 1.6) -> Field:
    """A wall that swells and thins smoothly; a length of 0 leaves that direction even."""

    def field(x: Array, s: Array) -> Array:
        turn = [
            np.sin(2 * np.pi * at / length + 0.7) for at, length in ((x, along_mm), (s, across_mm)) if length
        ]
        return thick_mm * (1 + share * np.prod(turn, axis=0))

    return field


def pressed(
    share: float, wide_mm: float, thick_mm: float = 1.6, size_mm: tuple[float, float] = (120, 80)
) -> Field:
    """Places pressed thin and thick, half a dozen over the zone."""

    def field(x: Array, s: Array) -> Array:
        out = np.ones(x.shape)
        for k, (at, beside) in enumerate([(20, 60), (45, 15), (60, 62), (85, 25), (100, 55), (25, 30)]):
            out += (
                (-1) ** k
                * share
                * np.exp(
                    -((x - at * size_mm[0] / 120) ** 2 + (s - beside * size_mm[1] / 80) ** 2)
                    / (2 * (wide_mm / 2.355) ** 2)
                )
            )
        return thick_mm * out

    return field


def dropped(plies: int, slant: float, thick_mm: float = 1.6, ply_mm: float = 0.2) -> Field:
    """Plies that end along a line across the panel, slanting by so many mm per mm."""
    return lambda x, s: np.where(x - 60 - slant * (s - 40) > 0, thick_mm - plies * ply_mm, thick_mm)


def tapered(share: float, thick_mm: float = 1.6) -> Field:
    """A wall that thins evenly along the part."""
    return lambda x, _s: thick_mm * (1 - share * (x - 60) / 60)


def spots(thick_mm: float, beam_mm: float, scale: tuple[float, float] = (1.0, 1.0)) -> tuple[Defect, ...]:
    """Four delaminations: as wide as the beam, and three wider, at a fifth to four fifths of the wall."""
    places = [(22, 20, beam_mm / 2 + 0.5, 0.5), (35, 58, 2.2 * beam_mm, 0.35), (78, 55, 1.6 * beam_mm, 0.65)]
    places += [(95, 22, 2.6 * beam_mm, 0.5)]
    return tuple(Defect(x * scale[0], s * scale[1], r, share * thick_mm) for x, s, r, share in places)


def _family(panel: Panel) -> Panel:
    scale = panel.pitch_mm * panel.stations / 120, panel.pitch_mm * panel.positions / 80
    return replace(panel, defects=spots(panel.nominal_mm, panel.beam_mm, scale))


def core_edge(at_mm: float, ramp_mm: float, thick_mm: float = 1.6) -> Field:
    """A wall that is a tenth thicker over a core or an insert, by a ramp of so many mm."""
    return lambda x, _s: thick_mm * (1 + 0.1 / (1 + np.exp(-(x - at_mm) / (ramp_mm / 4))))


def _drawn_wall(rng: np.random.Generator, panel: Panel) -> Field:
    """Draw the wall of a zone; what changes smoothly does so over four points or more."""
    thick_mm, least_mm = panel.nominal_mm, 4 * panel.pitch_mm
    size_mm = panel.pitch_mm * panel.stations, panel.pitch_mm * panel.positions
    kinds = ["along", "across", "both", "pressed", "core", "taper"]
    kind = rng.choice(kinds if panel.is_tube else [*kinds, "plies"])
    share, plies, slant = (
        rng.uniform(0.02, 0.08),
        int(rng.integers(1, 4)),
        rng.choice([0, 1]) * rng.uniform(0, 1.2),
    )
    along, across = np.maximum(np.exp(rng.uniform(np.log(20), np.log(200), 2)), least_mm)
    if panel.is_tube:  # whole periods round the girth
        across = size_mm[1] / max(1, int(size_mm[1] / across))
    if kind == "pressed":
        return pressed(share, max(rng.uniform(8, 20), least_mm / 2), thick_mm, size_mm)
    if kind == "core":
        return core_edge(size_mm[0] / 2, max(12.0, least_mm), thick_mm)
    if kind == "taper":
        return lambda x, _s: thick_mm * (1 - share * (2 * x / size_mm[0] - 1))
    if kind == "plies":
        ends = dropped(plies, slant, thick_mm, min(0.2, 0.1 * thick_mm))
        return lambda x, s: ends(x - size_mm[0] / 2 + 60, s - size_mm[1] / 2 + 40)
    return waves(share, along if kind != "across" else 0.0, across if kind != "along" else 0.0, thick_mm)


def drawn(seed: int, *, damaged: bool = False) -> Panel:
    """Draw a small zone: wall, probe, coupling, grid, noise and loss; sound, or with two delaminations.

    The smaller delamination is as wide as the beam, or as the grid needs for a point to be in it.
    """
    rng = np.random.default_rng([seed, 92])
    centre_mhz = float(rng.choice([2.25, 3.5, 5.0, 7.5, 10.0, 15.0]))
    thick_mm = float(np.clip(rng.uniform(5, 14) * VELOCITY_M_S / 2e3 / centre_mhz, 0.9, 5.0))
    pitch_mm = float(np.exp(rng.uniform(np.log(0.5), np.log(10.0))))
    beam_mm = float(rng.uniform(1.0, min(8.0, 3 * pitch_mm)))
    panel = Panel(
        nominal_mm=thick_mm,
        stations=40,
        positions=30,
        pitch_mm=pitch_mm,
        is_tube=bool(rng.random() < 0.25),
        centre_mhz=centre_mhz,
        coupling=str(rng.choice(["delay", "water", "contact"])),
        beam_mm=beam_mm,
        noise_db=-rng.uniform(12, 40),
        loss_db=rng.uniform(1, 6),
        lost=0.03 * (rng.random() < 0.25),
        columns=min(3, int(np.ceil(pitch_mm / max(beam_mm / 4, 0.5)))),
    )
    panel = replace(panel, thickness_mm=_drawn_wall(rng, panel))
    if not damaged:
        return panel
    size, least_mm = pitch_mm * np.array([40, 30]), max(beam_mm / 2 + 0.5, 0.75 * pitch_mm)
    places = (0.28 * size, max(1.6 * beam_mm, least_mm)), (0.7 * size, least_mm)
    cuts = tuple(Defect(x, s, r, rng.uniform(0.3, 0.7) * thick_mm) for (x, s), r in places)
    return replace(panel, defects=cuts)


FAMILIES: dict[str, Panel] = {
    "even": Panel(),
    "wave 5 %, 60 mm": Panel(waves(0.05, 60, 60)),
    "wave 8 %, 40 mm along": Panel(waves(0.08, 40, 0)),
    "wave 4 %, 20 mm": Panel(waves(0.04, 20, 25)),
    "wave 5 %, 200 mm across": Panel(waves(0.05, 0, 200)),
    "pressed 6 %, 9 mm": Panel(pressed(0.06, 9)),
    "tube, wave 4 %": Panel(waves(0.04, 0, 80), is_tube=True),
    "taper 10 %": Panel(tapered(0.10)),
    "one ply ends": Panel(dropped(1, 0)),
    "two plies end, slanting": Panel(dropped(2, 0.5)),
    "three plies end": Panel(dropped(3, 0.0)),
    "20 dB": Panel(noise_db=-20),
    "12 dB": Panel(noise_db=-12),
    "10 MHz, 4 mm, lossy": Panel(waves(0.0, 60, 60, 4.0), nominal_mm=4.0, centre_mhz=10.0, loss_db=10.0),
    "water, wave 3 %": Panel(waves(0.03, 80, 60), coupling="water"),
    "contact, 0.5 mm pitch": Panel(waves(0.03, 30, 40), coupling="contact", pitch_mm=0.5, beam_mm=2.0),
    "2.25 MHz, 4 mm": Panel(waves(0.03, 80, 80, 4.0), nominal_mm=4.0, centre_mhz=2.25, beam_mm=6.0),
    "10 mm pitch, wave 5 %": Panel(waves(0.05, 60, 0), stations=40, positions=12, pitch_mm=10.0, beam_mm=5.0),
    "insert bonded behind": Panel(waves(0.03, 60, 60), insert=(45, 70, 15, 45)),
    "core edge": Panel(core_edge(60, 16)),
    "missing and dead": Panel(waves(0.03, 60, 60), lost=0.04),
}
KEPT_BACK: dict[str, Panel] = {
    "wave 7 %, 50 mm across": Panel(waves(0.07, 0, 50)),
    "wave 3 %, 25 mm, 26 dB": Panel(waves(0.03, 25, 70), noise_db=-26),
    "pressed 5 %, 14 mm, water": Panel(pressed(0.05, 14), coupling="water"),
    "two plies end, steep slant": Panel(dropped(2, 1.2)),
    "one ply ends, 3.5 MHz": Panel(dropped(1, 0.2), centre_mhz=3.5, beam_mm=4.0),
    "tube, taper 8 %": Panel(tapered(0.08), is_tube=True),
    "15 MHz, 2 mm": Panel(waves(0.02, 60, 60, 2.0), nominal_mm=2.0, centre_mhz=15.0, loss_db=5.0),
    "5 mm pitch, wave 4 %": Panel(waves(0.04, 90, 90), stations=60, positions=30, pitch_mm=5.0, beam_mm=6.0),
    "beam 8 mm, 2 mm pitch": Panel(
        waves(0.05, 120, 90), stations=90, positions=60, pitch_mm=2.0, beam_mm=8.0
    ),
    "16 dB, contact": Panel(waves(0.02, 60, 60), noise_db=-16, coupling="contact"),
}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one way made of one panel. Areas are measured over true, of those wider than the beam."""

    defects: int
    found: int
    false_areas: int
    false_points: int
    sound_points: int
    areas: tuple[float, ...]
    depth_errors_mm: tuple[float, ...]


def plain_lines(scan: Scanned) -> tuple[Array, Array]:
    """Call points (stations, positions) by forty lines; with the depth of what comes before the wall."""
    panel, rate = scan.panel, scan.panel.rate_mhz
    dead = ~(np.nan_to_num(np.ptp(scan.traces, axis=2)) > 0)
    values = np.nan_to_num(scan.traces)
    size = np.abs(hilbert(values - values.mean(axis=2, keepdims=True), axis=2))
    inner = (size[..., 1:-1] >= size[..., :-2]) & (size[..., 1:-1] > size[..., 2:])
    crest = np.zeros_like(size)
    crest[..., 1:-1] = np.where(inner, size[..., 1:-1], 0)
    front = np.argmax(crest > 0.5 * crest.max(axis=2, keepdims=True), axis=2)
    due = 2e3 * panel.nominal_mm / VELOCITY_M_S * rate
    at = np.arange(size.shape[2]) - front[..., None]
    later = np.where((at > 0.25 * due) & (at < 1.25 * due), crest, 0)
    strongest = np.argmax(later, axis=2) - front
    way = "wrap" if panel.is_tube else "edge"

    def median(values: Array) -> Array:
        return median_filter(np.pad(values, 16, mode=way), 31)[16:-16, 16:-16]

    wall = median(strongest.astype(float))
    mode = ("nearest", "wrap" if panel.is_tube else "nearest")
    called = np.zeros(wall.shape, dtype=bool)
    for _ in range(3):
        gate = np.abs(at - wall[..., None]) <= 0.12 * due
        height = np.where(gate, size, 0).max(axis=2) / np.take_along_axis(size, front[..., None], 2)[..., 0]
        height = np.where(dead, np.nanmedian(height), height)
        own = np.argmax(np.where(gate, size, 0), axis=2) - front
        usual = median(height)
        early = strongest < wall - 0.12 * due
        called = (height < 0.5 * usual) | early
        good = (~called & ~dead).astype(float)
        total = uniform_filter(good, 9, mode=mode)
        wall = np.where(total > 0, uniform_filter(own * good, 9, mode=mode) / np.maximum(total, 1e-9), wall)
    depth = np.where(called & early, strongest / rate * VELOCITY_M_S / 2e3, np.nan)
    return called & ~dead, depth


def judged(
    scan: Scanned, called: Array, depth_mm: Array, listed: Array, areas_mm2: dict[int, float]
) -> Outcome:
    """Compare calls with the truth; `listed` numbers the points of each indication, 0 elsewhere."""
    panel = scan.panel
    beside = scan.rim_mm > panel.beam_mm / 2 + panel.pitch_mm
    false = [k for k in areas_mm2 if beside[listed == k].all()]
    found, ratios = 0, []
    held = [d for d in panel.defects if d.depth_mm < panel.thickness_mm(np.array(d.x_mm), np.array(d.s_mm))]
    for d in held:
        alone = replace(scan.panel, defects=(d,))
        rim, _ = cut(alone, scan.x_mm, scan.s_mm)
        if not (rim < 0).any():
            rim = np.where(rim == rim.min(), -1e-9, rim)
        hits = set(np.unique(listed[rim < 0])) - {0}
        found += bool(hits)
        if hits and d.radius_mm > panel.beam_mm and panel.pitch_mm <= d.radius_mm / 2:
            ratios.append(sum(areas_mm2[k] for k in hits) / (np.pi * d.radii_mm[0] * d.radii_mm[1]))
    inside = (scan.rim_mm < -panel.beam_mm / 2) & called
    errors = np.abs(depth_mm - scan.depth_mm)[inside]
    return Outcome(
        len(held),
        found,
        len(false),
        int((called & beside).sum()),
        int(beside.sum()),
        tuple(ratios),
        tuple(np.nan_to_num(errors, nan=9.0)),
    )


def by_plain_lines(scan: Scanned) -> Outcome:
    called, depth = plain_lines(scan)
    listed, count = label(called, structure=np.ones((3, 3)))
    areas = {k: float((listed == k).sum()) * scan.panel.pitch_mm**2 for k in range(1, count + 1)}
    return judged(scan, called, depth, listed, areas)


def by_tapscan(scan: Scanned) -> Outcome:
    with tempfile.TemporaryDirectory() as folder:
        written(scan, Path(folder) / "part")
        results = tapscan.analyse(tapscan.open_inspection(Path(folder) / "part"))
        part = results.screened[0]
        listed, areas = np.zeros(part.status.shape, dtype=int), {}
        damage = [one for one in results.indications if one.kind != "thin"]
        for k, one in enumerate(damage, 1):
            for point in one.points:
                station, position = map(int, point.split("-")[1:])
                listed[station - 1, position - 1] = k
            areas[k] = one.area_mm2
        return judged(scan, part.status == "suspect", part.features["depth_mm"], listed, areas)


def _cell(outcomes: list[Outcome]) -> str:
    total = [
        sum(getattr(o, n) for o in outcomes) for n in ("defects", "found", "false_areas", "false_points")
    ]
    ratios = np.array([r for o in outcomes for r in o.areas])
    errors = np.array([e for o in outcomes for e in o.depth_errors_mm])
    off = (
        f"{100 * np.median(np.abs(ratios - 1)):3.0f} {100 * np.abs(ratios - 1).max():4.0f}"
        if ratios.size
        else "  -    -"
    )
    deep = f"{100 * np.mean(errors <= 0.05):5.1f}" if errors.size else "    -"
    return f"{total[1]:3d}/{total[0]:<3d} {total[2]:5d} {total[3]:6d} {off} {deep}"


def _print_drawn(numbers: range, asked: argparse.Namespace) -> None:
    """One line for each drawn zone that is not as it should be, and one for all."""
    own, floor = [], []
    for number in numbers:
        panel = drawn(number, damaged=bool(asked.damaged))
        scan = scanned(panel, number)
        own.append(by_tapscan(scan))
        if asked.floor:
            floor.append(by_plain_lines(scan))
        if own[-1].false_areas or own[-1].found < own[-1].defects:
            words = f"{panel.coupling}, {panel.centre_mhz:g} MHz, {panel.nominal_mm:.1f} mm, "
            words += f"{panel.pitch_mm:.1f} mm pitch, {panel.beam_mm:.1f} mm beam, {-panel.noise_db:.0f} dB"
            print(f"{number:5d} {_cell(own[-1:])} {words}", flush=True)
    print(f"{f'{len(own)} drawn zones':28s} {_cell(own):46s} {_cell(floor) if floor else ''}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--kept-back", action="store_true", help="the families that chose nothing")
    parser.add_argument("--only", default="", help="families whose name holds this")
    parser.add_argument("--sound", type=int, default=0, help="so many small sound zones drawn at random")
    parser.add_argument("--damaged", type=int, default=0, help="so many with two delaminations each")
    parser.add_argument("--floor", action="store_true", help="the plain lines beside it")
    asked = parser.parse_args()
    head = "found   false points  area off % depth"
    print(f"{'family':28s} {'tapscan: ' + head:46s} {'plain lines' if asked.floor else ''}")
    families = KEPT_BACK if asked.kept_back else FAMILIES
    if asked.sound or asked.damaged:
        _print_drawn(range(asked.first, asked.first + (asked.sound or asked.damaged)), asked)
        return
    for name, panel in families.items():
        if asked.only not in name:
            continue
        own, floor = [], []
        for seed in range(asked.first, asked.first + asked.seeds):
            for each in (_family(panel), panel):
                scan = scanned(each, seed)
                own.append(by_tapscan(scan))
                if asked.floor:
                    floor.append(by_plain_lines(scan))
        print(f"{name:28s} {_cell(own):46s} {_cell(floor) if floor else ''}", flush=True)


if __name__ == "__main__":
    main()
