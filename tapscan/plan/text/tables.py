"""The tables of ``inspection.toml``: which keys there are, what each may hold, and how to write it."""

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from tapscan.plan.text.setup_tables import SETUP_HINTS, KnownTable, SetupTable

__all__ = ["HINTS", "TABLES", "LaminateTable", "PlanTable", "ZoneTable"]


def _at_least(least: float) -> AfterValidator:
    """Refuse what is far below any part: a length in metres."""

    def check(value: float) -> float:
        if value < least:
            kind, what = "slipped_unit", "is far too small for its unit"
            raise PydanticCustomError(kind, what)
        return value

    return AfterValidator(check)


def _is_date(text: str) -> bool:
    for form in _DATES:
        try:
            datetime.strptime(text, form)  # noqa: DTZ007 - a day, not a moment
        except ValueError:
            continue
        return True
    return False


def _date(text: str) -> str:
    """Refuse what names no day, month or year: 03/04/2026 is two days, and 2026-02-30 none."""
    if text.strip() and not _is_date(text.strip()):
        kind, what = "no_date", "is not a date"
        raise PydanticCustomError(kind, what)
    return text


# A day, a month or a year that can mean only one; months in English.
_DATES = (
    *("%Y-%m-%d", "%Y-%m", "%Y", "%Y/%m/%d", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S"),
    *("%d %B %Y", "%d %b %Y", "%B %d, %Y", "%b %d, %Y", "%B %Y"),
    "%d.%m.%Y",
)

# Limits are far beyond any bicycle part either way: they catch a slipped unit, not an odd zone.
Length = Annotated[float, Field(gt=0, le=1e5, allow_inf_nan=False), _at_least(0.1)]
Girth = Annotated[float, Field(gt=0, le=1e5, allow_inf_nan=False), _at_least(5.0)]
Count = Annotated[int, Field(ge=1, le=100_000)]
Text = Annotated[str, BeforeValidator(lambda v: str(v) if isinstance(v, (date, datetime, int, float)) else v)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _Part(_Table):
    name: Text = ""
    owner_ref: Text = ""
    serial: Text = ""
    history: Text = ""
    inspector: Text = ""
    date: Annotated[Text, AfterValidator(_date)] = ""


class LaminateTable(_Table):
    """The wall: ``[laminate]``, and what a zone may override of it."""

    thickness_mm: Annotated[float, Field(gt=0, le=500, allow_inf_nan=False), _at_least(0.02)] | None = None
    modulus_gpa: Annotated[float, Field(gt=0, le=2000, allow_inf_nan=False)] | None = None
    poisson: Annotated[float, Field(gt=-1, le=0.5, allow_inf_nan=False)] | None = None
    density_kg_m3: Annotated[float, Field(gt=0, le=30_000, allow_inf_nan=False)] | None = None
    velocity_m_s: Annotated[float, Field(gt=0, le=20_000, allow_inf_nan=False)] | None = None
    thickness_tolerance: Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)] | None = None


class ZoneTable(LaminateTable):
    """One ``[[zone]]``."""

    code: Annotated[str, Field(pattern=r"^[A-Z0-9]{1,8}$")]
    name: Text = ""
    shape: Literal["tube", "panel", "photo"]
    stations: Count
    positions: Count
    station_pitch_mm: Length
    girth_mm: Girth | None = None
    girth_start_mm: Girth | None = None
    girth_end_mm: Girth | None = None
    position_pitch_mm: Length | None = None
    datum_side: Literal["top", "bottom", "left", "right"] | None = None
    reference: list[str] = Field(default_factory=list)
    skip: list[str] = Field(default_factory=list)
    bonded: list[str] = Field(default_factory=list)
    mirror_of: str | None = None
    same_points_as: str | None = None
    notes: dict[str, Text] = Field(default_factory=dict)
    known: list[KnownTable] = Field(default_factory=list)


class _Tap(_Table):
    taps_per_point: Annotated[int, Field(ge=1, le=1000)] = 3
    tapper_mass_g: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] | None = None
    tapper_radius_mm: Annotated[float, Field(gt=0, le=100, allow_inf_nan=False), _at_least(0.1)] | None = None


class _Ascan(_Table):
    sample_rate_mhz: Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)] | None = None
    centre_frequency_mhz: Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)] | None = None
    beam_mm: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False), _at_least(0.05)] | None = None


class _Analysis(_Table):
    # Below 1e-6 or above a half no grid could show whether the rate is met.
    false_call_rate: Annotated[float, Field(ge=1e-6, le=0.5, allow_inf_nan=False)] = 0.01


class PlanTable(_Table):
    """The whole file."""

    units: Literal["mm", "in"] = "mm"
    part: _Part = _Part()
    laminate: LaminateTable = LaminateTable()
    zone: Annotated[list[ZoneTable], Field(min_length=1)]
    tap: _Tap = _Tap()
    ascan: _Ascan = _Ascan()
    analysis: _Analysis = _Analysis()
    setup: SetupTable = SetupTable()


TABLES: dict[str, type[BaseModel]] = {
    "part": _Part,
    "laminate": LaminateTable,
    "zone": ZoneTable,
    "tap": _Tap,
    "ascan": _Ascan,
    "analysis": _Analysis,
    "setup": SetupTable,
}

HINTS = {
    **SETUP_HINTS,
    "units": '"mm", or "in" for inches beside the millimetres of the report',
    "date": "year-month-day, such as 2026-03-01",
    "datum_side": "the side of the built-in part where position 1 is, seen from the station 1 end: "
    '"top", "bottom", "left" or "right"',
    "girth_mm": "the circumference measured with a tape",
    "station_pitch_mm": "the distance between stations along the axis",
    "position_pitch_mm": "the distance between positions across the panel",
    "code": "1 to 8 of A-Z 0-9",
    "shape": '"tube", "panel" or "photo"',
    "stations": "how many steps along the axis",
    "positions": "how many steps round the girth or across the panel",
    "reference": 'a list of points known to be good, such as ["01-01:06-12"]',
    "skip": 'a list of points to leave out, such as ["20-05"]',
    "bonded": 'a list of points with an insert bonded behind them, such as ["01-01:04-12"]',
    "mirror_of": "the code of the zone on the other side",
    "same_points_as": "the code of the zone whose photo shows the same points from another side",
    "notes": 'a table [zone.notes] of lines such as 07-05 = "a rattle"',
    "taps_per_point": "how many strikes at every point",
    "tapper_mass_g": "what the tapper weighs, such as 5.0",
    "tapper_radius_mm": "the radius of the tapper's tip, such as 5.0",
    "beam_mm": "the width of the beam at -6 dB, such as 5.0",
    "sample_rate_mhz": "the sampling rate of the .npy volumes, such as 100.0",
    "centre_frequency_mhz": "the probe's centre frequency, such as 5.0",
    "false_call_rate": "the wanted fraction of good points called suspect, such as 0.01",
    "thickness_mm": "the thickness of the wall",
    "thickness_tolerance": "the share by which the wall may be thinner, such as 0.1",
    "modulus_gpa": "the bending modulus in the plane, such as 60.0",
    "poisson": "a ratio such as 0.3",
    "density_kg_m3": "the density of the laminate, such as 1550.0",
    "velocity_m_s": "the speed of sound through the thickness, such as 2950.0",
}
