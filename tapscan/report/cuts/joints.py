"""The adhesive over a joint: thickness at each place, one face above and the other below the middle line."""

from typing import TYPE_CHECKING, Any

from tapscan.report.cuts.faces import stem_of
from tapscan.report.maps.figures import WIDTH_IN, new_figure, png_bytes
from tapscan.report.maps.palette import ACCENT, HAIRLINE, INK
from tapscan.report.pictures import Picture
from tapscan.sectioning.cut_photos import measured_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from tapscan.cutface.joint import FaceSpread
    from tapscan.sectioning.joints import Joint

__all__ = ["draw_joint", "joint_lines", "joint_picture"]

_HEIGHT_IN = 2.6
_SURE = 1.96  # of a standard uncertainty: 95 %


def joint_picture(joint: "Joint", photo: str) -> Picture:
    """Draw a joint for the page; call inside `drawing`."""
    caption = (
        "Adhesive over the joint, at every place that was measured: the face above over the middle line, the "
        "face below under it. Bars are 95 % intervals; the part between the faces is left out."
        if joint.thicker_mm is not None
        else "Adhesive over the joint, at every place that was measured. Bars are 95 % intervals."
    )
    alt = f"Adhesive thickness along the joint on {photo}. {' '.join(joint_lines(joint))}"
    return Picture(f"joint_{stem_of(photo)}.png", png_bytes(draw_joint(joint)), alt, caption)


def joint_lines(joint: "Joint") -> list[str]:
    """Say how thick the adhesive is on each face, how it spreads, and how the faces compare.

    Examples
    --------
    ``Face below: 12 places, mean 0.550 mm ±0.03, from 0.41 to 0.68 mm.``
    """
    lines = []
    for face, mean in zip(joint.faces, joint.means_mm, strict=True):
        (words,) = measured_words({"mean_mm": {"value": mean.value, "sd": mean.sd}})
        low, high = face.thickness_mm.min(), face.thickness_mm.max()
        name = f"Face {face.face}" if face.face else "Adhesive"
        lines.append(f"{name}: {len(face.along_mm)} places, {words}, from {low:.2f} to {high:.2f} mm.")
    if joint.thicker_mm is not None:
        lines.append(_compared(joint))
    return lines


def _compared(joint: "Joint") -> str:
    more = joint.thicker_mm
    assert more is not None
    half = _SURE * more.sd
    which, other = ("below", "above") if more.value >= 0 else ("above", "below")
    if abs(more.value) < half:
        return f"The faces do not differ by more than the measurement leaves in doubt (±{half:.2g} mm)."
    return f"The adhesive {which} is thicker than that {other}, by {abs(more.value):.2f} mm ±{half:.2g}."


def draw_joint(joint: "Joint") -> "Figure":
    """Draw the faces; each carries a `gid`: ``face above``, ``face below``, or ``adhesive``."""
    from matplotlib.ticker import FuncFormatter

    figure = new_figure(_HEIGHT_IN)
    axes = figure.add_axes((0.9 / WIDTH_IN, 0.2, 0.98 - 0.9 / WIDTH_IN, 0.74))
    axes.axhline(0, color=INK, linewidth=0.9)
    most = max(float((one.thickness_mm + _SURE * one.sd_mm).max()) for one in joint.faces)
    for face in joint.faces:
        sign = -1.0 if face.face == "below" else 1.0
        _draw_face(axes, face, sign)
    has_below = any(one.face == "below" for one in joint.faces)
    has_above = any(one.face != "below" for one in joint.faces)
    axes.set_ylim(-1.25 * most if has_below else 0.0, 1.25 * most if has_above else 0.0)
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{abs(value):g}"))
    axes.set_xlabel("mm along the joint")
    axes.set_ylabel("adhesive, mm")
    axes.grid(visible=True, color=HAIRLINE, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return figure


def _draw_face(axes: "Axes", face: "FaceSpread", sign: float) -> None:
    name = f"face {face.face}" if face.face else "adhesive"
    look: dict[str, Any] = {
        "color": ACCENT,
        "marker": "v" if sign < 0 else "^",
        "markersize": 4.5,
        "linewidth": 1.2,
    }
    axes.plot(face.along_mm, sign * face.thickness_mm, gid=name, **look)
    axes.fill_between(face.along_mm, 0, sign * face.thickness_mm, color=ACCENT, alpha=0.15, linewidth=0)
    axes.errorbar(
        face.along_mm, sign * face.thickness_mm, _SURE * face.sd_mm, fmt="none", ecolor=INK, elinewidth=0.8,
        capsize=2,
    )  # fmt: skip
    place = (0.99, 0.02 if sign < 0 else 0.98)
    align = "bottom" if sign < 0 else "top"
    axes.text(*place, name, transform=axes.transAxes, ha="right", va=align, color=INK, fontweight="bold")
