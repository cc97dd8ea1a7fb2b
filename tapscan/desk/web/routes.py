"""The desk's routes: each reads its request, asks one function, and answers in JSON, sound or a file.

Routes that are plain functions run in threads, so that a slow disk or a large zone does not stop a capture.
"""

import re
import shutil
import time
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from anyio.to_thread import run_sync
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute

from tapscan.desk.bench import Bench
from tapscan.desk.collecting import collect, inputs_document
from tapscan.desk.cut_faces import cut_face_routes
from tapscan.desk.cutting import MOST_FIELD_CHARACTERS, change_finding, cutting_document, log_finding
from tapscan.desk.photos import MOST_PHOTO_BYTES, keep_photo
from tapscan.desk.plan.file import plan_version, zone_of
from tapscan.desk.plan.photo_routes import photo_zone_routes
from tapscan.desk.plan.routes import plan_routes
from tapscan.desk.setups import begun_of, setup_routes
from tapscan.desk.views.closeups import point_document, section_document, slice_document
from tapscan.desk.views.details import zone_parts
from tapscan.desk.views.documents import palette_css, plan_document, results_document, zone_document
from tapscan.desk.views.papers import MEDIA_TYPES, paper_path, papers_document
from tapscan.desk.views.photo_zones import photo_jpeg
from tapscan.desk.views.rasters import line_document, raster_bytes
from tapscan.desk.views.sounds import decay_document, taps_at, wav_of
from tapscan.desk.views.tallies import tally_document
from tapscan.desk.web.guard import Door, Guard
from tapscan.desk.web.phones import phone_routes
from tapscan.desk.web.requests import (
    ODD_MESSAGE,
    answered,
    answered_async,
    bench_of,
    json_answer,
    named_point,
    row_of,
    texts_of,
)
from tapscan.errors import TapscanError
from tapscan.records.inspection import open_inspection
from tapscan.records.taking.adding import add_files
from tapscan.report.pages.short import SHORT_NAME

if TYPE_CHECKING:
    from tapscan.desk.web.certificates import Identity

__all__ = ["MOST_FILE_BYTES", "clear_arrivals", "desk_app"]

MOST_FILE_BYTES = 4_000_000_000  # a file that is dropped in: a volume of a million traces has 2 GB
_ARRIVING, _STALE_S = ".arriving-", 86_400.0
_FILE_NAME = re.compile(r"[A-Za-z0-9_-]{1,60}\.[A-Za-z0-9]{1,8}")
_PAGE_TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript"}


def desk_app(bench: Bench, door: Door, identity: "Identity | None" = None) -> Guard:
    """Put the routes together, behind the guard; with an `identity` other devices may open the page."""
    routes = [
        Route("/", answered(_page_file)),
        Route("/page/{name}", answered(_page_file)),
        Route("/palette.css", lambda _: Response(palette_css(), media_type="text/css")),
        Route("/api/plan", answered(_plan)),
        Route("/api/state", answered(_state)),
        Route("/api/results", answered(_results)),
        Route("/api/analyse", answered(_analyse), methods=["POST"]),
        Route("/api/zones/{zone}/{method}", answered(_zone)),
        Route("/api/rasters/{zone}/{method}", answered(_raster)),
        Route("/api/lines/{first}/{last}", answered(_line)),
        Route("/api/points/{point}/{method}", answered(_point)),
        Route("/api/decays/{point}", answered(_decay)),
        Route("/api/sections/{point}/{along}", answered(_section)),
        Route("/api/slices/{zone}", answered(_slice)),
        Route("/sounds/{point}", answered(_sound)),
        Route("/api/taps/{zone}", answered(_taps)),
        Route("/photos/{zone}", answered(_zone_photo)),
        Route("/api/photos", answered_async(_photo), methods=["POST"]),
        Route("/api/findings", answered(lambda request: json_answer(cutting_document(bench_of(request))))),
        Route("/api/findings", answered_async(_finding), methods=["POST"]),
        Route("/api/findings/change", answered_async(_change_finding), methods=["POST"]),
        Route("/api/files", answered_async(_file), methods=["POST"]),
        Route("/api/papers", answered(_papers)),
        Route("/api/inputs", lambda _: json_answer(inputs_document())),
        Route("/papers/{name}", answered(_paper)),
        *plan_routes(),
        *photo_zone_routes(),
        *setup_routes(),
        *cut_face_routes(),
        WebSocketRoute("/capture", collect),
        *phone_routes(door, identity),
    ]
    app = Starlette(routes=routes)
    app.state.bench = bench
    return Guard(app, door)


def _page_file(request: Request) -> Response:
    """Answer with a file of the page; only names that are in its folder are known."""
    name = request.path_params.get("name", "index.html")
    known = {entry.name: entry for entry in files("tapscan.desk").joinpath("page").iterdir()}
    if name not in known or Path(name).suffix not in _PAGE_TYPES:
        return PlainTextResponse("There is no such file.", 404)
    return Response(known[name].read_bytes(), media_type=_PAGE_TYPES[Path(name).suffix])


def _plan(request: Request) -> Response:
    bench = bench_of(request)
    # The version is taken first: a plan that changes in between is then refused later, not written over.
    version = plan_version(bench.folder)
    return json_answer(
        {
            **plan_document(bench.inspection()),
            "folder": bench.folder.resolve().name,
            "version": version,
        }
    )


def _state(request: Request) -> Response:
    """Report how far the analysis is, and whether plan or readings changed since the latest one."""
    bench = bench_of(request)
    progress, analysed = bench.progress, bench.analysed
    mark = bench.fingerprint()
    return json_answer(
        {
            "is_running": progress.is_running,
            "what": progress.what,
            "done": progress.done,
            "total": progress.total,
            "fault": progress.fault,
            "files": mark,
            "analysis": 0 if analysed is None else analysed.number,
            "is_stale": analysed is not None and analysed.fingerprint != mark,
            "is_written": analysed is not None and bench.has_written(analysed),
            "plan_fault": _plan_fault(bench),
            "undo": bench.history.done[-1].words if bench.history.done else "",
            "redo": bench.history.undone[-1].words if bench.history.undone else "",
        }
    )


def _plan_fault(bench: Bench) -> str:
    """Say why the plan cannot be used, so that the page shows its form; '' when it can."""
    try:
        bench.inspection()
    except TapscanError as error:
        return str(error)
    return ""


def _results(request: Request) -> Response:
    analysed = bench_of(request).analysed
    return json_answer(None if analysed is None else results_document(analysed.results))


def _analyse(request: Request) -> Response:
    return json_answer({"has_begun": bench_of(request).start(writes=True)})


def _zone(request: Request) -> Response:
    bench = bench_of(request)
    screened = bench.screened(request.path_params["zone"], request.path_params["method"])
    document = zone_document(screened)
    analysed = bench.analysed
    parts = [] if analysed is None else zone_parts(analysed.results, screened)
    return json_answer({**document, "parts": parts})


def _point(request: Request) -> Response:
    point = named_point(request.path_params["point"])
    screened = bench_of(request).screened(point.zone, request.path_params["method"])
    return json_answer(point_document(screened, point))


def _decay(request: Request) -> Response:
    point = named_point(request.path_params["point"])
    return json_answer(decay_document(taps_at(bench_of(request).inspection(), point)))


def _sound(request: Request) -> Response:
    point = named_point(request.path_params["point"])
    return Response(wav_of(taps_at(bench_of(request).inspection(), point)), media_type="audio/wav")


def _zone_photo(request: Request) -> Response:
    inspection = bench_of(request).inspection()
    zone = zone_of(inspection.plan, request.path_params["zone"])
    if zone.layout is None:
        return PlainTextResponse("This zone has no photo.", 404)
    return Response(photo_jpeg(zone, inspection.folder), media_type="image/jpeg")


def _section(request: Request) -> Response:
    point = named_point(request.path_params["point"])
    screened = bench_of(request).screened(point.zone, "ascan")
    return json_answer(section_document(screened, point, request.path_params["along"]))


def _slice(request: Request) -> Response:
    text = request.query_params.get("depth_mm", "")
    if re.fullmatch(r"\d{1,4}(\.\d{1,6})?", text) is None:
        where = "depth_mm"
        raise TapscanError(where, f"{text[:40]!r} is no depth", "write it like 0.8")
    return json_answer(
        slice_document(bench_of(request).screened(request.path_params["zone"], "ascan"), float(text))
    )


def _raster(request: Request) -> Response:
    screened = bench_of(request).screened(request.path_params["zone"], request.path_params["method"])
    return Response(raster_bytes(screened), media_type="application/octet-stream")


def _line(request: Request) -> Response:
    first, last = (named_point(request.path_params[end]) for end in ("first", "last"))
    if first.zone != last.zone:
        raise TapscanError(str(last), f"is not in zone {first.zone}", "choose two points of one zone")
    return json_answer(line_document(bench_of(request).screened(first.zone, "ascan"), first, last))


async def _finding(request: Request) -> Response:
    """Log one finding: the form's fields by the names of the table's columns."""
    bench, row = bench_of(request), await texts_of(request)
    if any(len(text) > MOST_FIELD_CHARACTERS for text in row.values()):
        raise TapscanError(*ODD_MESSAGE)

    def write() -> bool:
        with bench.writing:
            return log_finding(bench, row)

    return json_answer({"is_new": await run_sync(write)})


async def _change_finding(request: Request) -> Response:
    """Put a finding in the place of another, or take one out when nothing is to come in its place."""
    bench = bench_of(request)
    try:
        document: Any = await request.json()
        old, new = (row_of(document[key]) for key in ("old", "new"))
    except (ValueError, TypeError, KeyError, RecursionError):
        raise TapscanError(*ODD_MESSAGE) from None

    def write() -> None:
        with bench.writing:
            change_finding(bench, old, new)

    await run_sync(write)
    return json_answer({})


async def _photo(request: Request) -> Response:
    """Take a photo into the folder; answer with the name that a finding is to have it by."""
    bench, name, content = bench_of(request), request.query_params.get("name", ""), bytearray()
    async for piece in request.stream():
        content += piece
        if len(content) > MOST_PHOTO_BYTES:
            raise TapscanError(name[:60], "is over 50 MB", "take it with a lower resolution")
    return json_answer({"photo": await run_sync(keep_photo, bench.folder, name, bytes(content))})


def _taps(request: Request) -> Response:
    return json_answer(tally_document(bench_of(request).inspection(), request.path_params["zone"]))


async def _file(request: Request) -> Response:
    """Take a file from the page into the inspection or a check, by the rules of `tapscan add`."""
    bench, name = bench_of(request), request.query_params.get("name", "")
    check = request.query_params.get("check")
    place = bench.folder if check is None else begun_of(bench, check).place
    if _FILE_NAME.fullmatch(name) is None:
        what = "is not the name of a point's file"
        raise TapscanError(repr(name[:60]), what, "name it like BM-07-05.csv, or BM.npy for a zone")
    try:
        # Beside the readings, so that a full disk shows here and not half-way through the copy.
        with TemporaryDirectory(dir=bench.folder, prefix=_ARRIVING) as nook:
            path = Path(nook) / name
            await _receive(request, path)
            return json_answer({"written": await run_sync(_add_file, bench, path, place)})
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise TapscanError(name, what, "make room, or make the folder writable") from None
    except ClientDisconnect:
        return Response(status_code=400)  # the page has gone; nobody reads this


def clear_arrivals(folder: Path) -> None:
    """Take away what a desk that was killed had not taken in yet; what may still be arriving stays."""
    for nook in folder.glob(f"{_ARRIVING}*"):
        if nook.is_dir() and not nook.is_symlink() and time.time() - nook.stat().st_mtime > _STALE_S:
            shutil.rmtree(nook, ignore_errors=True)


async def _receive(request: Request, path: Path) -> None:
    taken = 0
    with path.open("wb") as stream:
        async for piece in request.stream():
            taken += len(piece)
            if taken > MOST_FILE_BYTES:
                raise TapscanError(path.name, "is over 4 GB", "copy it with tapscan add")
            await run_sync(stream.write, piece)


def _add_file(bench: Bench, path: Path, place: Path) -> list[str]:
    with bench.writing:
        added = add_files(bench.inspection() if place == bench.folder else open_inspection(place), [path])
    if added.refused:
        # The place that it arrived at is none of the user's.
        where, _, what = added.refused[0].removeprefix(f"{path.parent.name}/").partition(": ")
        raise TapscanError(where, *_parted(what))
    return [target for _, target in (*added.written, *added.unchanged)]


def _parted(text: str) -> tuple[str, str]:
    what, _, remedy = text.removesuffix(")").rpartition(" (")
    return what, remedy


def _papers(request: Request) -> Response:
    bench = bench_of(request)
    return json_answer(papers_document(bench.inspection().plan, is_analysed=bench.analysed is not None))


def _paper(request: Request) -> Response:
    bench, name = bench_of(request), request.path_params["name"]
    # A report carries its style and pictures in itself, and nothing of it may run or reach the desk.
    policy = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; sandbox allow-popups"
    if name == SHORT_NAME and (page := bench.short_report()) is not None:
        return Response(page, media_type="text/html", headers={"Content-Security-Policy": policy})
    path = paper_path(bench, name)
    if path is None:
        return PlainTextResponse("There is no such paper.", 404)
    headers = {"Content-Security-Policy": policy} if path.suffix in {".html", ".svg"} else {}
    return FileResponse(path, media_type=MEDIA_TYPES[path.suffix], headers=headers)
