"""Photos of cuts measured on the page: which there are, what is marked on them, and what the marks measure.

The page sends pixel coordinates; every number comes from the functions that `tapscan section --photo` uses.
"""

import hashlib
import io
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anyio.to_thread import run_sync
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from tapscan.cutface.porosity import POLISHED
from tapscan.desk.web.requests import ODD_MESSAGE, answered, answered_async, bench_of, json_answer
from tapscan.errors import TapscanError
from tapscan.pictures import read_coloured, read_grey
from tapscan.sectioning.cautions import EDGE_QUESTION
from tapscan.sectioning.cut_photos import (
    findings_of,
    marks_name,
    measured_words,
    proposed,
    read_marks,
    write_marks,
)
from tapscan.sectioning.findings.logbook import add_findings
from tapscan.sectioning.findings.places import parse_places
from tapscan.sectioning.findings.recorded import FINDINGS_NAME
from tapscan.sectioning.measured import Marked, parse_marked, results_of

if TYPE_CHECKING:
    from tapscan.desk.bench import Bench
    from tapscan.plan import Plan

__all__ = ["cut_face_routes", "face_document", "photo_names", "picture_of"]

_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp"})
_SENT = frozenset({"cut", "who", "scale", "surface_px", "region_px", "marks"})
_QUALITY = 90  # numerical: of the picture that the page shows; nothing is measured in it
_MOST_SHOWN_PX = 4096  # numerical: longest side of that picture; the page places it in the photo's own pixels


def cut_face_routes() -> list[Route]:
    """List the routes of the photos of cuts."""
    return [
        Route("/api/cut-photos", answered(_names)),
        Route("/api/cut-photos/{name}", answered(_face)),
        Route("/api/cut-photos/{name}", answered_async(_changing(_save)), methods=["POST"]),
        Route("/api/cut-photos/{name}/proposals", answered_async(_changing(_propose)), methods=["POST"]),
        Route("/api/cut-photos/{name}/findings", answered_async(_changing(_log)), methods=["POST"]),
        Route("/cut-photos/{name}", answered(_picture)),
    ]


def photo_names(folder: Path) -> tuple[str, ...]:
    """Name the photos of an inspection that can be measured, ``photos/NAME``, in order."""
    home = folder.resolve()
    return tuple(
        f"photos/{path.name}"
        for path in sorted((folder / "photos").glob("*"))
        if path.suffix.lower() in _ENDINGS and path.is_file() and path.resolve().is_relative_to(home)
    )


def face_document(folder: Path, photo: str) -> dict[str, Any]:
    """List what is marked on a photo, what each mark measures in words, and how large the photo is.

    `was` is to come back with a change, so that nothing written elsewhere meanwhile is lost.

    Raises
    ------
    TapscanError
        When the photo or the file of its marks cannot be read.
    """
    grey = read_grey(folder / photo, photo)
    marked = read_marks(folder, photo)
    results = [] if marked is None else results_of(marked, lambda: grey)
    return {
        "photo": photo,
        "width": grey.shape[1],
        "height": grey.shape[0],
        "was": _version(folder, photo),
        "marked": None if marked is None else marked.model_dump(mode="json", exclude={"results"}),
        "words": [list(measured_words(one)) for one in results],
        "kept": marks_name(photo),
        "edge_question": EDGE_QUESTION,
        "polished": POLISHED,
    }


def picture_of(folder: Path, photo: str) -> bytes:
    """Give a photo as a JPEG the right way up, at most 4096 pixels on its longest side."""
    from PIL import Image

    picture = Image.fromarray(read_coloured(folder / photo, photo))
    picture.thumbnail((_MOST_SHOWN_PX, _MOST_SHOWN_PX))
    stream = io.BytesIO()
    picture.save(stream, "JPEG", quality=_QUALITY)
    return stream.getvalue()


def _version(folder: Path, photo: str) -> str:
    path = folder / marks_name(photo)
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def _photo_of(request: Request) -> str:
    photo = f"photos/{request.path_params['name']}"
    if photo not in photo_names(bench_of(request).folder):
        raise TapscanError(photo[:80], "is no photo of this inspection", "choose one of the list")
    return photo


def _names(request: Request) -> Response:
    folder = bench_of(request).folder
    return json_answer(
        [{"photo": one, "is_marked": (folder / marks_name(one)).is_file()} for one in photo_names(folder)]
    )


def _face(request: Request) -> Response:
    return json_answer(face_document(bench_of(request).folder, _photo_of(request)))


def _picture(request: Request) -> Response:
    content = picture_of(bench_of(request).folder, _photo_of(request))
    return Response(content, media_type="image/jpeg")


Change = Callable[["Bench", str, dict[str, Any]], dict[str, Any]]


def _changing(change: Change) -> Callable[[Request], Any]:
    """Make a route of a change: refused when the marks were changed elsewhere since the page read them."""

    async def endpoint(request: Request) -> Response:
        bench, photo = bench_of(request), await run_sync(_photo_of, request)
        try:
            document: Any = await request.json()
            was = document.pop("was")
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            raise TapscanError(*ODD_MESSAGE) from None

        def write() -> dict[str, Any]:
            name = marks_name(photo)
            with bench.writing:
                if was != _version(bench.folder, photo):
                    what = "changed since this page read it; nothing was written"
                    raise TapscanError(name, what, "open the photo again")
                try:
                    return change(bench, photo, document)
                except OSError as error:
                    what = f"cannot be written: {error.strerror or error}"
                    raise TapscanError(name, what, "make room, or make the folder writable") from None

        return json_answer(await run_sync(write))

    return endpoint


def _save(bench: "Bench", photo: str, document: dict[str, Any]) -> dict[str, Any]:
    """Keep marks as the page sends them, measured."""
    if set(document) - _SENT:
        raise TapscanError(*ODD_MESSAGE)
    read_marks(bench.folder, photo)  # a file of marks that is another photo's is not written over
    marked = parse_marked(json.dumps({**document, "photo": photo, "when": _today()}), photo)
    _check_places(bench.inspection().plan, marked)
    write_marks(bench.folder, marked)
    return face_document(bench.folder, photo)


def _propose(bench: "Bench", photo: str, document: dict[str, Any]) -> dict[str, Any]:
    """Add what the computer proposes in the region."""
    if document.get("find") not in ("voids", "adhesive", "wrinkle"):
        raise TapscanError(*ODD_MESSAGE)
    marked = _marked(bench, photo)
    marks = proposed(bench.folder, marked, document["find"])
    write_marks(bench.folder, marked.model_copy(update={"marks": marks, "when": _today()}))
    return {**face_document(bench.folder, photo), "proposed": sum(one.state == "proposed" for one in marks)}


def _log(bench: "Bench", photo: str, _document: dict[str, Any]) -> dict[str, Any]:
    """Write what is accepted and has a place into ``findings.csv``."""
    plan = bench.inspection().plan
    found, left = findings_of(bench.folder, plan, _marked(bench, photo))
    return {"added": add_findings(bench.folder, plan, found), "left_out": left, "file": FINDINGS_NAME}


def _marked(bench: "Bench", photo: str) -> Marked:
    marked = read_marks(bench.folder, photo)
    if marked is None:
        raise TapscanError(photo, "has no scale yet", "set the scale first")
    return marked


def _check_places(plan: "Plan", marked: Marked) -> None:
    if marked.cut:
        parse_places(marked.cut, plan, "Which cut")
    for number, mark in enumerate(marked.marks, start=1):
        if mark.where:
            parse_places(mark.where, plan, f"measure {number}, {mark.kind}")


def _today() -> str:
    return datetime.now(UTC).date().isoformat()
