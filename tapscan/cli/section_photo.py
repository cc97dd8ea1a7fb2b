"""``tapscan section DIR --photo FILE``: measure the photo of a cut."""

from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from tapscan.records.inspection import Inspection
    from tapscan.sectioning.measured import Face, Marked

__all__ = ["PhotoWish", "measure_photo", "photo_options"]

_SCALE = "--scale"
_OPTIONS = (
    click.option(
        "--photo", type=click.Path(path_type=Path), metavar="FILE", help="Measure the photo of a cut."
    ),
    click.option("--cut", metavar="PLACE", help="Which cut the photo shows, as BM-07 (along station 7)."),
    click.option(
        "--scale",
        metavar='"X,Y X,Y MM"',
        help="Ends of a bar, or four corners of a printed square in order, in pixels; then its length in mm.",
    ),
    click.option("--surface", metavar='"X,Y X,Y"', help="Points on the outer surface, in pixels."),
    click.option("--region", metavar='"X,Y X,Y …"', help="Outline of the region to search, in pixels."),
    click.option(
        "--find",
        type=click.Choice(["voids", "adhesive", "wrinkle"]),
        help="Propose dark voids, both faces of an adhesive line (the region's first side runs along it), "
        "or the ply that waves most.",
    ),
    click.option(
        "--face",
        type=click.Choice(["above", "below"]),
        help="Which face of a joint the adhesive line is on, as seen in the photo.",
    ),
    click.option("--where", metavar="PLACE", help="Place on the grid of what is proposed, as BM-07-05."),
    click.option("--accept", is_flag=True, help="Accept what was proposed, after looking at the picture."),
    click.option("--log", "to_findings", is_flag=True, help="Write what is accepted into findings.csv."),
    click.option("--who", metavar="NAME", help="Who measures."),
)


@dataclass(frozen=True, slots=True)
class PhotoWish:
    """What was asked of a photo; None and False are what was not."""

    photo: Path | None
    cut: str | None
    scale: str | None
    surface: str | None
    region: str | None
    find: str | None
    face: "Face | None"
    where: str | None
    accept: bool
    to_findings: bool
    who: str | None


def photo_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of a photo, handed over together as `wish`."""

    @wraps(command)
    def gathered(*args: Any, **values: Any) -> Any:
        wish = PhotoWish(**{one.name: values.pop(one.name) for one in fields(PhotoWish)})
        if wish.photo is None and any(getattr(wish, one.name) for one in fields(wish)):
            msg = "say which photo: --photo FILE"
            raise click.UsageError(msg)
        return command(*args, wish=wish, **values)

    for option in reversed(_OPTIONS):
        gathered = option(gathered)
    return gathered


def measure_photo(inspection: "Inspection", wish: PhotoWish, *, as_json: bool) -> None:
    """Record what was marked and proposed, print what it measures, and log it when asked."""
    from tapscan.records.tables import json_text
    from tapscan.sectioning.cut_photos import findings_of, marks_name, write_marks
    from tapscan.sectioning.findings.logbook import add_findings

    photo = _kept(inspection.folder, wish)
    marked = write_marks(inspection.folder, _wished(inspection, photo, wish))
    added = 0
    left: tuple[str, ...] = ()
    if wish.to_findings:
        found, left = findings_of(inspection.folder, inspection.plan, marked)
        added = add_findings(inspection.folder, inspection.plan, found)
    if as_json:
        document = {**marked.model_dump(mode="json"), "findings_added": added, "left_out": list(left)}
        click.echo(json_text(document), nl=False)
        return
    _print(marked)
    click.echo(f"Kept: {marks_name(photo)}")
    for one in left:
        click.echo(f"Not logged: {one}")
    if wish.to_findings:
        click.echo(f"findings.csv: {added} added.")


def _print(marked: "Marked") -> None:
    from tapscan.cutface.porosity import POLISHED
    from tapscan.sectioning.cut_photos import measured_words

    for number, result in enumerate(marked.results, start=1):
        state = ", proposed" if result["state"] == "proposed" else ""
        kind = marked.marks[number - 1].words
        click.echo(f"{number}. {kind}{state}: {', '.join(measured_words(result))}")
    if not marked.marks:
        click.echo("Nothing is marked yet.")
    if any(one.state == "proposed" for one in marked.marks):
        click.echo("Proposals count once you accept them: look at the picture, then --accept.")
    if any(one.kind == "porosity" for one in marked.marks):
        click.echo(POLISHED)


def _kept(home: Path, wish: PhotoWish) -> str:
    """Name the photo in the inspection; one from elsewhere is copied there, and itself never changed."""
    from tapscan.desk.photos import MOST_PHOTO_BYTES, keep_photo
    from tapscan.errors import TapscanError

    path = wish.photo
    assert path is not None
    for one in (path, home / path):
        if one.is_file() and one.resolve().parent == (home / "photos").resolve():
            return f"photos/{one.name}"
    if not path.is_file():
        raise TapscanError(str(path), "is not there", "check the name and the folder")
    if path.stat().st_size > MOST_PHOTO_BYTES:
        what = f"is larger than the {MOST_PHOTO_BYTES // 1_000_000} MB that are kept"
        raise TapscanError(path.name, what, "save it smaller")
    return keep_photo(home, path.name, path.read_bytes())


def _wished(inspection: "Inspection", photo: str, wish: PhotoWish) -> "Marked":
    """Add the wanted measures to the marks."""
    from tapscan.errors import TapscanError
    from tapscan.sectioning.cut_photos import read_marks
    from tapscan.sectioning.measured import Marked, ScaleMark

    marked = read_marks(inspection.folder, photo)
    changed: dict[str, Any] = {
        name: value for name, value in (("cut", wish.cut), ("who", wish.who)) if value is not None
    }
    if wish.scale is not None:
        *points, length = wish.scale.split()
        changed["scale"] = ScaleMark(
            points_px=_places(" ".join(points), "--scale"), length_mm=_length(length)
        )
    for name, text in (("surface_px", wish.surface), ("region_px", wish.region)):
        if text is not None:
            changed[name] = _places(text, f"--{name[:-3]}")
    if marked is None and "scale" not in changed:
        remedy = 'give the ends of a bar: --scale "120,400 520,402 20"'
        raise TapscanError(photo, "has no scale yet", remedy)
    marked = Marked(photo=photo, **changed) if marked is None else marked.model_copy(update=changed)
    marks = _marks(inspection, marked, wish)
    if changed or marks != marked.marks:
        changed["when"] = datetime.now(UTC).date().isoformat()
    return marked.model_copy(update={**changed, "marks": marks})


def _marks(inspection: "Inspection", marked: "Marked", wish: PhotoWish) -> Any:
    """Add proposals to the marks, and accept them when asked."""
    from tapscan.sectioning.cut_photos import proposed

    marks = marked.marks
    if wish.find is not None:
        marks = proposed(inspection.folder, marked, wish.find, wish.where or "", wish.face or "")
    if wish.accept:
        marks = tuple(one.model_copy(update={"state": "accepted"}) for one in marks)
    return marks


def _places(text: str, option: str) -> tuple[tuple[float, float], ...]:
    from tapscan.errors import TapscanError

    try:
        pairs = [tuple(float(part) for part in word.split(",")) for word in text.split()]
        return tuple((x, y) for x, y in pairs)
    except ValueError:
        what = f"{text[:60]!r} is no list of pixels"
        raise TapscanError(option, what, 'write them as "120,400 520,402"') from None


def _length(text: str) -> float:
    from tapscan.errors import TapscanError

    try:
        return float(text.replace(",", "."))
    except ValueError:
        what = f"{text[:60]!r} is no length in mm"
        raise TapscanError(_SCALE, what, 'end it with the length: "120,400 520,402 20"') from None
