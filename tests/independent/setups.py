"""Known pieces checked again and again: by steady hands and probes, and by ones that have changed.

A piece, its hand and its bench are drawn once (`tapped_piece`, `scanned_piece`); every check of it is set up
anew: the microphone some millimetres elsewhere, the hand a little stronger or weaker, the probe coupled
again. Gain and noise keep their absolute size from check to check, which the arena's recordings do not.

    python -m tests.independent.setups            # the table: 20 pieces, 5 checks of each kind on each
"""

import argparse
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from tapscan.plan import SetupLimits
from tapscan.proving.figures.echoes import prove_echoes
from tapscan.proving.figures.shown import Figures, known_zone
from tapscan.proving.figures.taps import prove_taps
from tapscan.proving.judging import Item, judge, overall
from tapscan.records import open_inspection
from tests.independent import ascans, plates
from tests.independent.arena import nuisances
from tests.independent.arena.nuisances import Manner, draw_taps, tidy
from tests.independent.ringing import Ringing, drawn_wall
from tests.independent.shell import Defect
from tests.independent.strikes import RATE_HZ, Array, Damage, Generator
from tests.independent.surfaces import Surface, rim_mm

__all__ = [
    "SCANNED",
    "TAPPED",
    "ScannedPiece",
    "TappedPiece",
    "checked",
    "scanned_piece",
    "tapped_piece",
]

Rng = np.random.Generator

SURFACE = Surface(stations=8, positions=7, station_pitch_mm=10.0, girth_mm=None, position_pitch_mm=10.0)
PATCH = Damage(x_mm=40.0, s_mm=30.0, radii_mm=(20.0, 20.0), depth_mm=0.5)
EARLIER = 8  # checks before the one that is judged


@dataclass(frozen=True, slots=True, eq=False)
class TappedPiece:
    """A piece with its bench: `build` makes the generator for a microphone so many times as far."""

    build: Callable[[float], Generator]
    manner: Manner
    gain: float
    noise: float


@dataclass(frozen=True, slots=True)
class TapChange:
    """What has happened to hand or bench."""

    mass: float = 1.0
    distance: float = 1.0
    noise_db: float = 0.0


TAPPED: Mapping[str, TapChange] = {
    "as it was": TapChange(),
    "tapper of twice the mass": TapChange(mass=2.0),
    "microphone twice as far": TapChange(distance=2.0),
}


def tapped_piece(seed: int, generator: str = "ringing") -> TappedPiece:
    """Draw a piece, a hand and a bench; gain and noise are set at its first check."""
    rng = np.random.default_rng([seed, 91])
    wall = replace(drawn_wall(rng), thickness_mm=float(rng.uniform(1.4, 1.8)))
    manner = replace(tidy(rng), click_share=0.0)

    def ringing(far: float) -> Generator:
        return Ringing(SURFACE, replace(wall, mic_mm=wall.mic_mm * far), (PATCH,), seed)

    flat = (
        plates.draw(
            np.random.default_rng([seed, 92]),
            stations=SURFACE.stations,
            positions=SURFACE.positions,
            pitch_mm=SURFACE.station_pitch_mm,
            girth_mm=SURFACE.width_mm,
            damages=[replace(PATCH, s_mm=PATCH.s_mm - SURFACE.s_range_mm[0])],
        )
        if generator == "plates"
        else None
    )

    def plate(_far: float) -> Generator:
        from tests.independent.arena.adapters import _Moved

        assert flat is not None
        return _Moved(flat, -SURFACE.s_range_mm[0])

    build = plate if generator == "plates" else ringing
    taps = draw_taps(manner, *SURFACE.points_mm(), np.ones(SURFACE.points_mm()[0].shape), rng)
    clean = nuisances._heard(build(1.0).sounds(taps.strikes).astype(float), taps, manner, rng)
    gain = manner.peak / np.quantile(np.abs(clean).max(axis=1), 0.95) / 2  # room for a heavier hand
    noise = gain * np.sqrt(nuisances._typical_power(clean)) * 10 ** (-manner.snr_db / 20)
    return TappedPiece(build, manner, float(gain), float(noise))


def write_taps(folder: Path, piece: TappedPiece, change: TapChange, rng: Rng) -> None:
    """Set the bench up anew and tap every point."""
    far = change.distance
    manner = replace(
        piece.manner,
        mass_kg=piece.manner.mass_kg * change.mass,
        speed_m_s=piece.manner.speed_m_s * np.exp(0.08 * rng.standard_normal()),
        contact_n_m15=piece.manner.contact_n_m15 * np.exp(0.05 * rng.standard_normal()),
        mic_mm=piece.manner.mic_mm * far * np.exp(0.05 * rng.standard_normal()),
        bench_share=min(piece.manner.bench_share * far, 1.0),
        bench_path_mm=piece.manner.bench_path_mm * np.exp(0.1 * rng.standard_normal()) / far,
        room_db=piece.manner.room_db + 20 * np.log10(far),
    )
    x_mm, s_mm = SURFACE.points_mm()
    taps = draw_taps(manner, x_mm, s_mm, np.ones(x_mm.shape), rng)
    clean = nuisances._heard(piece.build(far).sounds(taps.strikes).astype(float), taps, manner, rng)
    clean *= piece.gain * piece.manner.mic_mm / manner.mic_mm
    room = nuisances._noise_stretches(manner, rng) * piece.noise
    room *= 10 ** ((change.noise_db + rng.normal()) / 20)
    first = np.searchsorted(taps.point, np.arange(x_mm.size + 1))
    (folder / "taps").mkdir(parents=True, exist_ok=True)
    for number in range(x_mm.size):
        signal = nuisances._laid(clean[first[number] : first[number + 1]], manner, rng)
        signal += np.roll(room[rng.integers(len(room))], rng.integers(room.shape[1]))[: signal.size]
        station, position = divmod(number, SURFACE.positions)
        whole = np.clip(np.round(signal * 2**15), -(2**15), 2**15 - 1).astype(np.int16)
        name = f"KP-{station + 1:02d}-{position + 1:02d}.wav"
        soundfile.write(folder / "taps" / name, whole, RATE_HZ, subtype="PCM_16")
    (folder / "inspection.toml").write_text(plan_text(rim_mm(SURFACE, PATCH, x_mm, s_mm)), encoding="utf-8")


def plan_text(rim: Array, pitch_mm: float = SURFACE.station_pitch_mm, more: str = "", sound: str = "") -> str:
    """The plan of a piece: what is well inside the rim and well outside is known, the rim itself is not."""
    stations, positions = rim.shape
    names = [[f"{i + 1:02d}-{p + 1:02d}" for p in range(positions)] for i in range(stations)]
    points = np.array(names)
    return f"""[part]
name = "Simulated known piece"
{more}
[[zone]]
code = "KP"
shape = "panel"
stations = {stations}
positions = {positions}
station_pitch_mm = {pitch_mm}
position_pitch_mm = {pitch_mm}
[[zone.known]]
points = {points[rim > 6].tolist()}
state = "sound"
{sound}
[[zone.known]]
points = {points[rim < -5].tolist()}
state = "delaminated"
depth_mm = 0.5
size_mm = 40.0
"""


@dataclass(frozen=True, slots=True, eq=False)
class ScannedPiece:
    """A piece under the probe: one wall, one instrument, its gain set once.

    `seen` is what comes back to the probe at each point, (stations, positions, bins of `frequency_mhz`).
    """

    wall: ascans.Wall
    probe: ascans.Probe
    gain: float
    seen: Array
    frequency_mhz: Array
    rim_mm: Array


@dataclass(frozen=True, slots=True)
class ScanChange:
    """What has happened to probe or instrument, or what the plan wrongly assumes."""

    bandwidth: float = 1.0
    gain_db: float = 0.0
    assumed: float = 1.0  # velocity in the plan over the true one


SCANNED: Mapping[str, ScanChange] = {
    "as it was": ScanChange(),
    "cracked probe, bandwidth -40 %": ScanChange(bandwidth=0.6),
    "gain -6 dB": ScanChange(gain_db=-6.0),
    "velocity 5 % off": ScanChange(assumed=1.05),
}


SCAN_POINTS, SCAN_PITCH_MM = 12, 5.0  # a square of so many


def scanned_piece(seed: int) -> ScannedPiece:
    """Draw a wall and a probe."""
    wall, probe = ascans.drawn(seed)
    thickness = wall.thickness_mm[0]
    wall = replace(wall, thickness_mm=(thickness, thickness))
    patch = (Defect(30.0, 25.0, 11.0, 0.4 * thickness),)
    point = (np.arange(SCAN_POINTS) + 0.5) * SCAN_PITCH_MM, np.arange(SCAN_POINTS) * SCAN_PITCH_MM
    fine = np.arange(-4, SCAN_POINTS * 4 + 4) * SCAN_PITCH_MM / 4
    x_mm, s_mm = np.meshgrid(fine + SCAN_PITCH_MM / 2, fine, indexing="ij")
    cut = ascans._cut_mm(x_mm, s_mm, None, patch)
    rng = np.random.default_rng([seed, 94])
    layers, _ = ascans._stack(wall, np.full(x_mm.shape, thickness), cut, 3.0 / SCAN_PITCH_MM * 4, rng)
    behind = ascans._behind(wall, x_mm, s_mm, None, ())
    fields, frequency = ascans._columns(layers, behind, wall, probe)
    axes = x_mm[:, 0], s_mm[0]
    seen = ascans._beam(fields.reshape(*x_mm.shape, -1), axes, point, probe.beam_mm, None)
    rim = ascans._rim_mm(*np.meshgrid(*point, indexing="ij"), None, patch)
    faint = ascans._traces(seen, frequency, replace(probe, bits=16, gain=0.05), rng)
    peak = float(np.median(np.abs(faint).max(axis=-1))) / 2**15 / 0.05
    probe = replace(probe, bits=12, coupling_db=2.0)
    return ScannedPiece(wall, probe, 0.4 / peak, seen, frequency, rim)


def write_scan(folder: Path, piece: ScannedPiece, change: ScanChange, rng: Rng) -> None:
    """Couple the probe anew and scan every point."""
    gain_db = change.gain_db + 0.5 * rng.standard_normal()
    probe = replace(
        piece.probe,
        gain=piece.gain * 10 ** (gain_db / 20),
        narrower=change.bandwidth,
        front_us=piece.probe.front_us + 0.1 * rng.standard_normal(),
    )
    (folder / "ascans").mkdir(parents=True)
    np.save(folder / "ascans" / "KP.npy", ascans._traces(piece.seen, piece.frequency_mhz, probe, rng))
    wall_mm = piece.wall.thickness_mm[0]
    more = f"[ascan]\nsample_rate_mhz = {probe.rate_mhz}\ncentre_frequency_mhz = {probe.centre_mhz}\n"
    more += f"[laminate]\nthickness_mm = {wall_mm}\nvelocity_m_s = {piece.wall.velocity_m_s}"
    text = plan_text(piece.rim_mm, SCAN_PITCH_MM, more, f"thickness_mm = {wall_mm}")
    (folder / "inspection.toml").write_text(text, encoding="utf-8")


def figures_of(folder: Path, method: str) -> Figures:
    """Measure what is in a check's folder, and throw the folder away."""
    check, warnings = open_inspection(folder), []
    zone = known_zone(check.plan, folder.name)
    prove = prove_taps if method == "tap" else prove_echoes
    figures = prove(check, zone, check.plan.false_call_rate, warnings)
    shutil.rmtree(folder)
    return figures


def checked(
    method: str, seed: int, each: int, generator: str = "ringing"
) -> dict[str, list[tuple[Item, ...]]]:
    """Make a piece's history, then `each` checks of every kind, all against the same history."""
    rng = np.random.default_rng([seed, 93])
    limits = SetupLimits()
    results: dict[str, list[tuple[Item, ...]]] = {}
    piece = tapped_piece(seed, generator) if method == "tap" else scanned_piece(seed)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "check"

        def look(change: TapChange | ScanChange) -> Figures:
            if isinstance(piece, TappedPiece):
                write_taps(folder, piece, change, rng)  # type: ignore[arg-type]
            else:
                write_scan(folder, piece, change, rng)  # type: ignore[arg-type]
            return figures_of(folder, method)

        kinds: Mapping[str, TapChange | ScanChange] = TAPPED if method == "tap" else SCANNED
        same = kinds["as it was"]
        earlier = [look(same).values for _ in range(EARLIER)]
        for name, change in kinds.items():
            assumed = None
            if isinstance(piece, ScannedPiece):
                assumed = piece.wall.velocity_m_s * change.assumed  # type: ignore[union-attr]
            results[name] = [judge(look(change), earlier, limits, assumed) for _ in range(each)]
    return results


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pieces", type=int, default=20)
    parser.add_argument("--each", type=int, default=5)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--what", nargs="+", default=["ringing", "plates", "ascan"])
    arguments = parser.parse_args()
    for what in arguments.what:
        method = "ascan" if what == "ascan" else "tap"
        counts: dict[str, Counter[str]] = {}
        for seed in range(arguments.first, arguments.first + arguments.pieces):
            for name, all_items in checked(method, seed, arguments.each, what).items():
                counter = counts.setdefault(name, Counter())
                for items in all_items:
                    counter[overall(items)] += 1
                    counter.update(
                        f"{item.outcome}: {item.name}" for item in items if item.outcome != "ready"
                    )
            print(f"{what}, {seed - arguments.first + 1} pieces", flush=True)
            for name, counter in counts.items():
                print(f"  {name}: {dict(counter.most_common())}", flush=True)


if __name__ == "__main__":
    main()
