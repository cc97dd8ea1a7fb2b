import numpy as np
import pytest

from tapscan.report.maps.palette import (
    ACCENT,
    CRAYON,
    INK,
    MUTED,
    PAPER,
    RAMPS,
    SIGNS,
    TINT,
    colour_map,
    css_variables,
    hex_text,
    ramp_rgb,
)
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD

# Machado, Oliveira & Fernandes 2009, full protanopia and deuteranopia, on linear RGB (from memory).
BLINDNESS = {
    "none": np.eye(3),
    "protan": np.array([[0.152, 1.053, -0.205], [0.115, 0.786, 0.099], [-0.004, -0.048, 1.052]]),
    "deutan": np.array([[0.367, 0.861, -0.228], [0.280, 0.673, 0.047], [-0.012, 0.043, 0.969]]),
}


def linear(rgb):
    """sRGB to linear light, as WCAG 2.1 defines it."""
    rgb = np.asarray(rgb, dtype=float)
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def luminance(rgb):
    return linear(rgb) @ np.array([0.2126, 0.7152, 0.0722])


def lightness(luminance_share):
    """CIE L* of a relative luminance; its straight foot is not reached here."""
    return 116 * np.cbrt(luminance_share) - 16


def of_hex(text):
    return np.array([int(text[i : i + 2], 16) / 255 for i in (1, 3, 5)])


def contrast(one, other):
    high, low = sorted([luminance(of_hex(one)), luminance(of_hex(other))], reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("name", RAMPS)
def test_a_grey_copy_of_a_ramp_falls_by_even_steps(name):
    steps = -np.diff(lightness(luminance(ramp_rgb(name))))
    assert steps.min() > 0.25
    assert steps.max() / steps.min() < 1.1


@pytest.mark.parametrize("blindness", BLINDNESS)
@pytest.mark.parametrize("name", RAMPS)
def test_a_ramp_stays_in_order_for_colour_blind_eyes(name, blindness):
    seen = np.clip(linear(ramp_rgb(name)) @ BLINDNESS[blindness].T, 1e-6, 1)
    assert (np.diff(lightness(seen @ np.array([0.2126, 0.7152, 0.0722]))) < 0).all()


@pytest.mark.parametrize("text", [INK, MUTED, ACCENT, CRAYON])
@pytest.mark.parametrize("ground", [PAPER, TINT])
def test_text_stands_out_from_its_ground(text, ground):
    assert contrast(text, ground) >= 4.5


def test_a_dark_page_reads_as_well_as_a_light_one():
    dark = css_variables(dark=True)
    for text in ("ink", "muted", "accent", "crayon"):
        for ground in ("paper", "tint"):
            assert contrast(dark[text], dark[ground]) >= 4.5
    # Words on a button or on an indication's number are on the strong colours.
    assert contrast(dark["paper"], dark["accent"]) >= 4.5
    assert contrast(dark["paper"], dark["crayon"]) >= 4.5


@pytest.mark.parametrize("name", RAMPS)
def test_a_ramp_on_a_dark_page_rises_evenly_from_quiet_to_strong(name):
    steps = np.diff(lightness(luminance(ramp_rgb(name, dark=True))))
    assert steps.min() > 0
    assert contrast(hex_text(ramp_rgb(name, 2, dark=True)[0]), css_variables(dark=True)["paper"]) < 1.3


def test_contrast_is_that_of_the_standard():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # the well-known near miss


def test_every_status_has_a_sign_of_its_own():
    assert set(SIGNS) == {CLEAR, SUSPECT, UNREAD, SKIPPED}
    assert len(set(SIGNS.values())) == len(SIGNS)


def test_a_ramp_can_be_turned_round():
    np.testing.assert_allclose(colour_map("depth")(0.0), colour_map("depth", dark_first=True)(1.0))
