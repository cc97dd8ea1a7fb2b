"""What a person marked on a photo of a cut, and what it measures: ``photos/NAME.measured.json``.

Marks are pixel coordinates, x to the right and y down, of the photo the right way up. Results follow from
marks, scale and photo alone, so they can be computed again at any time.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_serializer

from tapscan import __version__
from tapscan.cutface.fibres import propose_ply
from tapscan.cutface.measures import (
    measure_outlines,
    measure_separation,
    measure_thickness,
    measure_wrinkle,
)
from tapscan.cutface.porosity import measure_porosity
from tapscan.cutface.proposals import contains, inside, propose_edges, propose_voids
from tapscan.cutface.scale import CLICK_SD_PX, LENGTH_SD_MM, Quantity, Scale, scale_of
from tapscan.errors import TapscanError
from tapscan.records.tables import json_text
from tapscan.sectioning.findings.recorded import Cause

__all__ = [
    "ADHESIVE",
    "LAYERS",
    "LINES",
    "OUTLINES",
    "Face",
    "Mark",
    "Marked",
    "ScaleMark",
    "marked_text",
    "parse_marked",
    "proposals",
    "results_of",
]

ADHESIVE: Literal["adhesive thickness"] = "adhesive thickness"
LAYERS = (ADHESIVE, "wall thickness")
OUTLINES = ("void", "planar void", "resin pool")
LINES = ("delamination", "disbond", "crack")
MarkKind = Literal[
    "adhesive thickness",
    "wall thickness",
    "void",
    "planar void",
    "resin pool",
    "delamination",
    "disbond",
    "crack",
    "wrinkle",
    "porosity",
]
Face = Literal["", "above", "below"]
Place = tuple[float, float]
Photo = Callable[[], NDArray[np.uint8]]
_MOST_PX = 1e5
_DIGITS = 9  # numerical: the last of sixteen hang on the machine
_LEAST: dict[str, int] = {"wrinkle": 4, **dict.fromkeys(OUTLINES, 3), **dict.fromkeys((*LAYERS, *LINES), 2)}


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class ScaleMark(_Frozen):
    """The two ends of a bar, or the four corners of a square, and their length in mm."""

    points_px: tuple[Place, ...]
    length_mm: float
    length_sd_mm: float = LENGTH_SD_MM
    click_sd_px: float = CLICK_SD_PX

    def scale(self) -> Scale:
        """Set the scale; TapscanError when the points are no bar and no square."""
        return scale_of(self.points_px, self.length_mm, self.length_sd_mm, self.click_sd_px)


class Mark(_Frozen):
    """One thing marked: pairs across a layer, outlines, or one line; a proposal counts once accepted.

    `where` and `cause` are those of ``findings.csv``. `face` says on which face of a joint an adhesive is, as
    seen in the photo; it is only written where it is given. Porosity is what is darker than `limit_grey`.
    """

    kind: MarkKind
    state: Literal["accepted", "proposed"] = "accepted"
    where: str = ""
    px: tuple[tuple[Place, ...], ...] = Field(default=(), max_length=5000)
    limit_grey: float | None = None
    note: str = ""
    cause: Cause = "unknown"
    face: Face = ""

    @model_serializer(mode="wrap")
    def _written(self, plain: Callable[[Any], dict[str, Any]]) -> dict[str, Any]:
        """Leave out an empty `face`: files of earlier versions then compute to the same text."""
        return {name: value for name, value in plain(self).items() if name != "face" or value}

    @property
    def words(self) -> str:
        """Its kind, with the face of the joint where there is one."""
        return f"{self.kind}, {self.face}" if self.face else self.kind


class Marked(_Frozen):
    """All that was marked on one photo, by whom and when; `results` are those of `version`."""

    photo: str
    cut: str = ""
    who: str = ""
    when: str = ""
    sha256: str = ""
    scale: ScaleMark
    surface_px: tuple[Place, ...] = ()
    region_px: tuple[Place, ...] = ()
    marks: tuple[Mark, ...] = Field(default=(), max_length=1000)
    version: str = ""
    results: Any = None


def parse_marked(text: str, where: str) -> Marked:
    """Read the text of a file of marks; `where` is how it is called in what is said.

    Raises
    ------
    TapscanError
        At the first thing that is wrong.
    """
    try:
        marked = Marked.model_validate(json.loads(text))
    except (ValueError, RecursionError) as error:
        at, what = "", "is not JSON"
        if isinstance(error, ValidationError):
            first = error.errors()[0]
            at, what = ".".join(str(part) for part in first["loc"]), str(first["msg"]).lower()
        place = f"{where}: {at}" if at else where
        raise TapscanError(place, what, "mark it on the photo again, or correct the file") from None
    _check(marked, where)
    return marked


def _check(marked: Marked, where: str) -> None:
    marked.scale.scale()
    every = [marked.scale.points_px, marked.surface_px, marked.region_px]
    for number, mark in enumerate(marked.marks, start=1):
        every += mark.px
        _check_mark(mark, marked, f"{where}: mark {number}, {mark.kind}")
    if any(abs(value) > _MOST_PX for line in every for point in line for value in point):
        raise TapscanError(where, "has a point far outside any photo", "mark it again")


def _check_mark(mark: Mark, marked: Marked, place: str) -> None:
    if mark.face and mark.kind != ADHESIVE:
        raise TapscanError(place, "has a face of a joint, which only adhesive has", "take out face")
    if mark.kind == "porosity":
        if mark.limit_grey is None or len(marked.region_px) < 3:
            raise TapscanError(place, "needs region_px and limit_grey", "draw the region, give the limit")
        return
    least = _LEAST[mark.kind]
    if not mark.px or any(len(one) < least for one in mark.px):
        raise TapscanError(place, f"needs at least {least} points", "mark it again")
    if mark.kind in (*LINES, "wrinkle") and len(marked.surface_px) < 2:
        raise TapscanError(place, "needs the outer surface", "click two points on the outer surface")
    if mark.kind in LAYERS and any(len(pair) != 2 for pair in mark.px):
        raise TapscanError(place, "needs pairs of points", "click one point on each face of the layer")


def results_of(marked: Marked, photo: Photo) -> list[dict[str, Any]]:
    """Measure every mark: one entry each, its values with standard uncertainty and 95 % interval.

    `photo` gives the grey photo; it is only called where the grey itself is measured.
    """
    scale = marked.scale.scale()
    return [
        {"kind": mark.kind, "state": mark.state, "where": mark.where, **_measured(mark, marked, scale, photo)}
        for mark in marked.marks
    ]


def _measured(mark: Mark, marked: Marked, scale: Scale, photo: Photo) -> dict[str, Any]:
    lines = [np.array(one, dtype=float) for one in mark.px]
    surface = np.array(marked.surface_px, dtype=float)
    if mark.kind == "porosity":
        grey = photo()
        shape = (grey.shape[0], grey.shape[1])
        return asdict(measure_porosity(grey < (mark.limit_grey or 0.0), inside(marked.region_px, shape)))
    if mark.kind in LAYERS:
        return _plain(measure_thickness(scale, lines))
    if mark.kind in OUTLINES:
        return _plain(measure_outlines(scale, lines, _region_of(lines, marked)))
    if mark.kind == "wrinkle":
        return _plain(measure_wrinkle(scale, lines[0], surface))
    return _plain(measure_separation(scale, lines[0], surface))


def _region_of(outlines: Sequence[NDArray[np.float64]], marked: Marked) -> NDArray[np.float64] | None:
    """Give the region that outlines have a share of; None where none is drawn, or one is outside it."""
    region = np.array(marked.region_px, dtype=float)
    if len(region) < 3:
        return None
    middles = np.array([one.mean(axis=0) for one in outlines])
    return region if contains(region, middles[:, 0], middles[:, 1]).all() else None


def _plain(found: Any) -> dict[str, Any]:
    values = {name: getattr(found, name) for name in found.__dataclass_fields__}
    return {
        name: {"value": one.value, "sd": one.sd, "low_95": one.low, "high_95": one.high}
        if isinstance(one, Quantity)
        else one
        for name, one in values.items()
    }


def _rounded(value: Any) -> Any:
    """Write fewer digits than numbers have, so that every machine writes the same bytes."""
    if isinstance(value, dict):
        return {name: _rounded(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(one) for one in value]
    return float(f"{value:.{_DIGITS}g}") if isinstance(value, float) else value


def proposals(grey: NDArray[np.uint8], marked: Marked, what: str) -> tuple[Mark, ...]:
    """Propose marks inside a photo's region: ``voids`` with their porosity, ``adhesive``, or a ``wrinkle``.

    A wrinkle is the ply that waves most, followed along the fibres; its angles are against the outer surface.
    Porosity counts what is darker than half way from the region's median to the median of the voids.
    """
    if what == "adhesive":
        pairs = propose_edges(grey, marked.region_px)
        return (Mark(kind=ADHESIVE, state="proposed", px=_places(pairs)),)
    if what == "wrinkle":
        return _wrinkle(grey, marked)
    outlines = propose_voids(grey, marked.region_px)
    if not outlines:
        return ()
    shape = (grey.shape[0], grey.shape[1])
    dark = np.logical_or.reduce([inside(one, shape) for one in outlines])
    usual = float(np.median(grey[inside(marked.region_px, shape)]))
    limit = (usual + float(np.median(grey[dark]))) / 2 if dark.any() else usual / 2
    return (
        Mark(kind="void", state="proposed", px=_places(outlines)),
        Mark(kind="porosity", state="proposed", limit_grey=round(limit, 1)),
    )


def _wrinkle(grey: NDArray[np.uint8], marked: Marked) -> tuple[Mark, ...]:
    if len(marked.surface_px) < 2:
        what, remedy = "has no outer surface to measure angles from", 'mark it, or give --surface "X,Y X,Y"'
        raise TapscanError(marked.photo, what, remedy)
    line = propose_ply(grey, marked.region_px)
    return () if line is None else (Mark(kind="wrinkle", state="proposed", px=_places([line])),)


def _places(lines: Sequence[NDArray[np.float64]] | NDArray[np.float64]) -> tuple[tuple[Place, ...], ...]:
    """Round places to a hundredth of a pixel, so that the file is short."""
    return tuple(tuple((round(float(x), 2), round(float(y), 2)) for x, y in line) for line in lines)


def marked_text(marked: Marked, photo: Photo) -> str:
    """Write the file: marks as they were, results as this version computes them, always the same bytes.

    Examples
    --------
    >>> bar = ScaleMark(points_px=((0, 0), (200, 0)), length_mm=20.0)
    >>> layer = Mark(kind="adhesive thickness", px=(((10, 10), (10, 14)), ((60, 10), (60, 16))))
    >>> marked = Marked(photo="photos/cut.png", scale=bar, marks=(layer,))
    >>> result = json.loads(marked_text(marked, lambda: None))["results"][0]
    >>> result["count"], round(result["mean_mm"]["value"], 3), round(result["mean_mm"]["sd"], 3)
    (2, 0.5, 0.142)
    """
    document: Mapping[str, Any] = marked.model_dump(mode="json")
    results = _rounded(results_of(marked, photo))
    return json_text({**document, "version": __version__, "results": results})
