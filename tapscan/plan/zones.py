"""What is inspected: the part as zones, each with one surface and a marked grid.

Conventions that all of tapscan obeys
-------------------------------------
* Arrays over a zone have shape ``(stations, positions, ...)``; array index 0 is station or position 1.
* ``x_mm`` runs along the zone's axis from its first edge; station *i* sits at
  ``(i - 0.5) * station_pitch_mm``.
* ``s_mm`` runs round the girth (or across the panel) from the datum line, clockwise seen from station 1's
  end; position *p* sits at ``(p - 1) * girth / positions`` on a tube and ``(p - 1) * position_pitch_mm`` on
  a panel.
* On a photo the points have names of the same kind, and each its own place: ``x_mm`` runs to the right of the
  picture and ``s_mm`` down, both from the outline's upper left corner, on the face. Array elements whose name
  no point has count as skipped.
* The seam is where the unrolled surface was cut open: position 1 neighbours the last position of a tube.
"""

from dataclasses import dataclass, field
from typing import Literal

from tapscan.plan.known import Known, SetupLimits
from tapscan.plan.photos.layout import PhotoLayout
from tapscan.plan.points import Block, Point

__all__ = ["Laminate", "Note", "Part", "Plan", "Side", "Units", "Zone"]

Side = Literal["top", "bottom", "left", "right"]
Units = Literal["mm", "in"]


@dataclass(frozen=True, slots=True)
class Laminate:
    """The wall's material. None is what the plan does not say: nothing is assumed.

    `thickness_tolerance` is the share by which the wall may be thinner than `thickness_mm`.
    """

    thickness_mm: float | None
    modulus_gpa: float | None
    poisson: float | None
    density_kg_m3: float | None
    velocity_m_s: float | None
    thickness_tolerance: float | None = None


@dataclass(frozen=True, slots=True)
class Note:
    """What somebody noticed at a point."""

    point: Point
    text: str


@dataclass(frozen=True, slots=True)
class Zone:
    """A named area with one surface.

    `girth_start_mm` and `girth_end_mm` (at the zone's first and last edge) are set on a tube and equal unless
    it tapers; `position_pitch_mm` is set on a panel. A zone on a photo has a `layout`; its pitches are the
    usual spacing of points, and `skip` also names the array elements that no point has. `bonded` are the
    points behind which an insert is bonded to the wall. `notes` and `datum_side` change no result;
    `datum_side` says on which side of the part, as built in and seen from the station 1 end, position 1 is.
    With `units` "in" texts give inches beside millimetres; numbers and files stay in millimetres. `known` is
    what is known of the points of a known piece. `same_points_as` names the zone whose photo shows the points
    of the same names from another side: both have the same readings there.
    """

    code: str
    name: str
    shape: Literal["tube", "panel", "photo"]
    stations: int
    positions: int
    station_pitch_mm: float
    girth_start_mm: float | None
    girth_end_mm: float | None
    position_pitch_mm: float | None
    laminate: Laminate
    reference: tuple[Block, ...] = ()
    skip: tuple[Block, ...] = ()
    mirror_of: str | None = None
    bonded: tuple[Block, ...] = ()
    notes: tuple[Note, ...] = ()
    datum_side: Side | None = None
    units: Units = "mm"
    known: tuple[Known, ...] = ()
    layout: PhotoLayout | None = None
    same_points_as: str | None = None

    @property
    def is_tube(self) -> bool:
        """Whether the last position neighbours the first."""
        return self.shape == "tube"

    @property
    def grid_shape(self) -> tuple[int, int]:
        """The shape of every array over this zone: (stations, positions)."""
        return self.stations, self.positions


@dataclass(frozen=True, slots=True)
class Part:
    """Whose part it is and what happened to it: free text, empty where the plan is silent."""

    name: str = ""
    owner_ref: str = ""
    serial: str = ""
    history: str = ""
    inspector: str = ""
    date: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole of ``inspection.toml``, checked.

    `sample_rate_mhz` is needed for `.npy` volumes only; `centre_frequency_mhz` is estimated when None. The
    tapper and the beam serve the estimate of what can be found, and change no result. `setup` is what a check
    of the setup must show.
    """

    part: Part
    zones: tuple[Zone, ...]
    taps_per_point: int
    sample_rate_mhz: float | None
    centre_frequency_mhz: float | None
    false_call_rate: float
    has_tap_table: bool
    has_ascan_table: bool
    tapper_mass_g: float | None = None
    tapper_radius_mm: float | None = None
    beam_mm: float | None = None
    setup: SetupLimits = field(default_factory=SetupLimits)

    @property
    def units(self) -> Units:
        """What lengths are shown in beside millimetres; the same for all zones."""
        return self.zones[0].units

    def zone(self, code: str) -> Zone:
        """Return the zone with this code; KeyError when there is none."""
        for zone in self.zones:
            if zone.code == code:
                return zone
        raise KeyError(code)
