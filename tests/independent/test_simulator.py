"""The second simulator's own physics against closed forms, and its files against its promises."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.independent import taps as taps_module
from tests.independent.ascans import Probe, Wall, ascan_inspection, reflection
from tests.independent.shell import Defect, Tube, coupled_modes, disc_modes, tube_modes
from tests.independent.taps import FORCE_RATE_HZ, Hand, contact_force_n, tap_inspection, tap_spectra

FREE = Tube(end_thickening=(0, 0), end_spring_pa=(0, 0), lap_thickening=0, unevenness=0)


def _frequencies_hz(tube: Tube, order: int, **settings: float) -> np.ndarray:
    modes = tube_modes(tube, **settings)
    return np.sort(modes.omega_rad_s[(modes.order == order) & (modes.phase_rad == 0)]) / (2 * np.pi)


@pytest.mark.parametrize("girth_m", [(0.12, 0.12), (0.12, 0.09)])
def test_a_free_tube_or_cone_moves_as_a_rigid_body_without_effort(girth_m: tuple[float, float]) -> None:
    tube = replace(FREE, girth_m=girth_m)
    along = _frequencies_hz(tube, 0)
    sideways = _frequencies_hz(tube, 1)
    assert along[0] < 0.1 < 1000 < along[1]
    assert sideways[1] < 0.1 < 1000 < sideways[2]


@pytest.mark.parametrize("order", [2, 3, 4])
def test_ring_modes_of_a_free_tube_are_rayleighs(order: int) -> None:
    # Rayleigh, Theory of Sound §233: bending without stretching of a free cylinder (from memory).
    radius_m = FREE.girth_m[0] / (2 * np.pi)
    speed_m_s = np.sqrt(FREE.modulus_pa / FREE.density_kg_m3 / (1 - FREE.poisson**2))
    shape = order * (order**2 - 1) / np.sqrt(order**2 + 1)
    expected_hz = FREE.wall_m / np.sqrt(12) * speed_m_s * shape / radius_m**2 / (2 * np.pi)
    assert _frequencies_hz(FREE, order)[0] == pytest.approx(expected_hz, rel=4e-3)


def test_a_long_tube_bends_as_a_beam_and_stretches_as_a_rod() -> None:
    tube = replace(FREE, length_m=1.6)
    radius_m = tube.girth_m[0] / (2 * np.pi)
    rod_m_s = np.sqrt(tube.modulus_pa / tube.density_kg_m3)
    # Free-free beam, βL = 4.7300 (published-checks: computed; Blevins from memory); thin tube I/A = R²/2.
    beam_hz = 4.7300407**2 / (2 * np.pi * tube.length_m**2) * rod_m_s * radius_m / np.sqrt(2)
    assert _frequencies_hz(tube, 1, highest_hz=3e3)[2] == pytest.approx(beam_hz, rel=1e-2)
    assert _frequencies_hz(tube, 0, highest_hz=3e3)[1] == pytest.approx(
        rod_m_s / (2 * tube.length_m), rel=2e-3
    )


def test_a_flat_disc_has_the_clamped_circles_modes_and_stiffness() -> None:
    radius_m, sheet_m = 0.02, 0.5e-3
    disc = disc_modes(FREE, (radius_m, radius_m), sheet_m, 0.0, 60e3)
    bending = FREE.modulus_pa * sheet_m**3 / 12 / (1 - FREE.poisson**2)
    found = disc.omega_rad_s[:6] * radius_m**2 * np.sqrt(FREE.density_kg_m3 * sheet_m / bending)
    # Leissa, NASA SP-160, chapter 2 (from memory): clamped circle, modes of 0, 1, 2 diameters and one circle.
    assert found == pytest.approx([10.2158, 21.26, 21.26, 34.88, 34.88, 39.771], rel=1e-4)
    shape, rest_m_n = disc.w(np.zeros(1), np.zeros(1))
    compliance_m_n = (shape**2 / disc.omega_rad_s**2).sum() + rest_m_n[0]
    # Timoshenko and Woinowsky-Krieger, art. 19 (from memory): 16πD/a² under a load at the centre.
    assert 1 / compliance_m_n == pytest.approx(16 * np.pi * bending / radius_m**2, rel=1e-2)


def test_an_ellipse_is_the_same_whichever_way_it_is_turned_and_softer_than_its_inner_circle() -> None:
    along = disc_modes(FREE, (0.02, 0.01), 0.5e-3, 0.0, 60e3).omega_rad_s
    across = disc_modes(FREE, (0.01, 0.02), 0.5e-3, 0.0, 60e3).omega_rad_s
    circle = disc_modes(FREE, (0.01, 0.01), 0.5e-3, 0.0, 60e3).omega_rad_s
    assert along == pytest.approx(across, rel=1e-6)
    assert 0.6 * circle[0] < along[0] < circle[0]


def test_curvature_stiffens_a_sub_laminate() -> None:
    flat, shallow, tight = (
        disc_modes(FREE, (0.02, 0.02), 0.5e-3, k, 60e3).omega_rad_s[0] for k in (0, 10, 52)
    )
    assert flat < shallow < tight


def test_contact_on_a_rigid_wall_is_hertzs() -> None:
    # Steel ball of 6.35 mm radius on aluminium at 1 m/s: 57.6576 µs and 537.23 N by the quasi-static closed
    # form, 2.8683 (m²/(R E*² v))^(1/5) (Johnson, Contact Mechanics §11.4, from memory).
    contact = np.array([4 / 3 * 58.318e9 * np.sqrt(6.35e-3)])
    steps = 120
    force = contact_force_n(np.zeros((1, steps)), np.zeros(1), np.ones(1), 8.41937e-3, contact)
    assert np.count_nonzero(force) / FORCE_RATE_HZ == pytest.approx(57.6576e-6, abs=2 / FORCE_RATE_HZ)
    assert force.max() == pytest.approx(537.23, rel=5e-3)


def test_contact_on_a_spring_lasts_half_a_period() -> None:
    # τ = π√(m/k), peak v√(mk): 10 g on 1 MN/m is 314.159 µs and 100 N at 1 m/s.
    force = contact_force_n(np.zeros((1, 400)), np.array([1e-6]), np.ones(1), 10e-3, np.array([1e15]))
    assert np.count_nonzero(force) / FORCE_RATE_HZ == pytest.approx(314.159e-6, abs=2 / FORCE_RATE_HZ)
    assert force.max() == pytest.approx(100.0, rel=5e-3)


def test_contact_with_a_free_body_takes_the_reduced_mass() -> None:
    body_kg, tapper_kg, spring_n_m = 5e-3, 10e-3, 1e6
    impulse = taps_module._impulse(np.array([[body_kg**-0.5]]), np.array([1e-2]), np.zeros(1), 400)
    force = contact_force_n(impulse, np.array([1 / spring_n_m]), np.ones(1), tapper_kg, np.array([1e15]))
    reduced_kg = body_kg * tapper_kg / (body_kg + tapper_kg)
    duration_s = np.pi * np.sqrt(reduced_kg / spring_n_m)
    assert np.count_nonzero(force) / FORCE_RATE_HZ == pytest.approx(duration_s, abs=2 / FORCE_RATE_HZ)
    # Elastic collision: the momentum handed over is 2 μ v.
    assert force.sum() / FORCE_RATE_HZ == pytest.approx(2 * reduced_kg, rel=5e-3)


def test_without_damage_or_unevenness_the_coupled_modes_are_the_even_tubes() -> None:
    modes = tube_modes(FREE, highest_hz=15e3)
    part = coupled_modes(modes)
    # Rigid-body modes are zero to rounding only, so hertz are compared.
    assert part.omega_rad_s == pytest.approx(np.sort(modes.omega_rad_s), rel=1e-9, abs=1.0)
    assert not part.loose.any()


def test_more_modes_change_nothing_that_is_heard() -> None:
    tube = Tube()
    defects = (Defect(150, 30, 20, 0.5),)
    found = [
        coupled_modes(tube_modes(tube, highest_hz=hz, splines=n), defects, highest_disc_hz=hz).omega_rad_s
        for hz, n in ((40e3, 64), (55e3, 80))
    ]
    low = found[0] < 2 * np.pi * 10e3
    assert found[0][low] == pytest.approx(found[1][: found[0].size][low], rel=2e-2)


@pytest.mark.parametrize("curved", [True, False])
def test_a_delamination_softens_the_contact_and_rings(curved: bool) -> None:
    defect = Defect(200, 60, 20, 0.5)
    part = coupled_modes(tube_modes(Tube(curved_discs=curved)), (defect,))
    x_m, s_m = np.array([0.2, 0.2, 0.09, 0.3]), np.array([0.06, 0.0, 0.03, 0.09])
    hand = Hand(speed_spread_db=0, contact_spread=0)
    spectra, force = tap_spectra(part, x_m, s_m, hand, np.random.default_rng(0))
    width = (force > 0.1 * force.max(axis=1, keepdims=True)).sum(axis=1)
    assert width[0] > 1.1 * width[1:].max()
    assert force[0].max() < 0.7 * force[1:].max(axis=1).min()
    assert part.loose.max() > 0.5
    assert np.isfinite(spectra).all()


def test_equal_seeds_give_equal_files_and_the_datum_moves_names_only(tmp_path: Path) -> None:
    settings = {"defects": (Defect(30, 5, 14, 0.5),), "seed": 3, "stations": 6, "positions": 6}
    first = tap_inspection(tmp_path / "a", **settings)
    tap_inspection(tmp_path / "b", **settings)
    turned = tap_inspection(tmp_path / "c", **settings, shift_positions=2)
    names = sorted(path.name for path in (tmp_path / "a" / "taps").iterdir())
    assert len(names) == 36
    for name in names:
        content = (tmp_path / "a" / "taps" / name).read_bytes()
        assert (tmp_path / "b" / "taps" / name).read_bytes() == content
        position = (int(name[6:8]) - 1 + 2) % 6 + 1
        assert (tmp_path / "c" / "taps" / f"{name[:6]}{position:02d}.wav").read_bytes() == content
    assert np.array_equal(np.roll(first.is_delaminated, 2, axis=1), turned.is_delaminated)
    assert first.is_delaminated[2:4, 0].all()
    assert 0 < first.is_delaminated.sum() < 12
    sound, rate_hz = soundfile.read(tmp_path / "a" / "taps" / names[0])
    assert rate_hz == 48_000
    assert 0.01 < np.abs(sound).max() < 1


LOSSLESS = Wall(loss_db_mm_mhz=0.0)
BAND_MHZ = np.linspace(2, 8, 61)


def _layer(thickness_mm: float, speed_m_s: float, impedance_mrayl: float) -> tuple[np.ndarray, ...]:
    return tuple(np.array([value]) for value in (thickness_mm, speed_m_s, impedance_mrayl))


def test_without_loss_and_with_nothing_behind_every_stack_sends_all_back() -> None:
    stack = [_layer(0.4, 3000, 4.7), _layer(0.01, 2550, 3.1), _layer(0.7, 2900, 4.5)]
    found = reflection(stack, np.zeros(1), 1.48, BAND_MHZ, Probe(), LOSSLESS)
    assert np.abs(found) == pytest.approx(1.0, abs=1e-12)


def test_a_thick_lossy_layer_reflects_as_its_surface_does() -> None:
    # Water 1.48 to steel 46.47 MRayl: (Z₂−Z₁)/(Z₂+Z₁) = 0.93828 (elementary; published-checks, section 5).
    found = reflection(
        [_layer(500, 5920, 46.472)], np.zeros(1), 1.47969, BAND_MHZ, Probe(), Wall(loss_db_mm_mhz=1.0)
    )
    assert found[0].real == pytest.approx(np.full(BAND_MHZ.size, 0.93828), abs=1e-4)


def test_an_air_gap_hides_what_is_behind_it() -> None:
    gap = [_layer(0.6, 2950, 4.6), _layer(0.01, 343, 413e-6)]
    one, other = (
        reflection([*gap, _layer(depth, 2950, 4.6)], np.array([4e-4]), 1.48, BAND_MHZ, Probe(), LOSSLESS)
        for depth in (1.0, 1.7)
    )
    assert one == pytest.approx(other, abs=5e-3)


def test_the_volume_shows_the_back_wall_where_the_plan_puts_it(tmp_path: Path) -> None:
    wall = Wall(thickness_mm=(3.2, 3.2), loss_db_mm_mhz=0.1)
    probe = Probe(front_drift_us=0.0, noise_db=-60, bits=12, delay_mrayl=1.48)
    defect = Defect(20, 16, 9, 1.2)
    settings = {"defects": (defect,), "seed": 1, "stations": 10, "positions": 8, "wall": wall, "probe": probe}
    truth = ascan_inspection(tmp_path / "a", **settings)
    ascan_inspection(tmp_path / "b", **settings)
    content = (tmp_path / "a" / "ascans" / "BM.npy").read_bytes()
    assert content == (tmp_path / "b" / "ascans" / "BM.npy").read_bytes()
    volume = np.load(tmp_path / "a" / "ascans" / "BM.npy").astype(float)
    assert volume.shape == (10, 8, 512)
    # The lag of the strongest echo behind the front surface: correlate with the front echo's own shape.
    for mask, depth_mm in ((truth.rim_mm > 8, 3.2), (truth.rim_mm < -4, np.nanmedian(truth.depth_mm))):
        for trace in volume[mask]:
            start = np.argmax(np.abs(trace) > 0.3 * np.abs(trace).max()) - 10
            likeness = np.correlate(trace[start:], trace[start : start + 50], "valid")
            lag = 50 + np.argmax(-likeness[50:]) if depth_mm > 2 else 40 + np.argmax(-likeness[40:200])
            assert lag / 100 == pytest.approx(2 * depth_mm / 2.950, rel=0.04)
