"""The setup proved on the page: the known piece tapped like a zone, then judged; checks so far and charts."""

import shutil
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from anyio.to_thread import run_sync
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from tapscan.desk.bench import Begun
from tapscan.desk.views.documents import plan_document
from tapscan.desk.web.requests import answered, answered_async, bench_of, fields_of, json_answer
from tapscan.errors import TapscanError
from tapscan.proving.checks import About
from tapscan.proving.figures.shown import known_zone
from tapscan.proving.keeping import all_checks, has_readings, part_checks, reading_marks, start_check
from tapscan.proving.proof import METHOD_WORDS, when
from tapscan.proving.words import OUTCOME_SIGNS, found_sentences, limit_text, value_text
from tapscan.records.digests import digests
from tapscan.records.inspection import open_inspection
from tapscan.report.maps.setup_chart import chart_png, conclude_check, has_chart

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request

    from tapscan.desk.bench import Bench
    from tapscan.proving.checks import Check, Judged

__all__ = ["MOST_NAME", "begin_check", "begun_of", "end_check", "setup_document", "setup_routes"]

MOST_NAME = 60  # characters of a person's name


def begin_check(bench: "Bench", operator: str, *, is_anew: bool) -> Begun:
    """Make the folder of a new check; what the part has been read so far came before it.

    Raises
    ------
    TapscanError
        When the desk has no known piece, or the folder cannot be made.
    """
    if bench.piece is None:
        remedy = f"start it again: tapscan desk {bench.folder.name} --piece PIECE"
        where, what = "the setup", "cannot be checked: this desk was started without a known piece"
        raise TapscanError(where, what, remedy)
    part, piece = bench.inspection(), open_inspection(bench.piece)
    known_zone(piece.plan, bench.piece.name)
    about = About(f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}", operator, reading_marks(digests(part)), is_anew)
    return Begun(part, bench.piece, start_check(bench.folder, piece, about.time), about)


def end_check(bench: "Bench", begun: Begun) -> None:
    """Judge and keep what was taken; the reason is on the bench where it cannot be judged."""
    fault = ""
    if not has_readings(begun.place):
        shutil.rmtree(begun.place)
        fault = "Nothing was taken: the check was left out."
    else:
        try:
            conclude_check(begun.part, begun.piece, begun.place, begun.about, [])
        except TapscanError as error:
            fault = str(error)
    bench.unjudged = {**bench.unjudged, begun.about.time: fault} if fault else bench.unjudged


def begun_of(bench: "Bench", time: str) -> Begun:
    """Return the check that files are being sent to; TapscanError when none was begun at this time."""
    begun = bench.begun.get(time)
    if begun is None:
        where, what = "the check", "was not begun on this desk, or is over"
        raise TapscanError(where, what, "choose the files again")
    return begun


def setup_document(bench: "Bench") -> dict[str, Any]:
    """Give the known piece as a plan is given, the part's checks, newest first, and what was not judged."""
    warnings: list[str] = []
    checks, every = part_checks(bench.folder, warnings), all_checks(bench.folder, bench.piece, [])
    piece, fault = None, ""
    if bench.piece is not None:
        try:
            piece = plan_document(open_inspection(bench.piece))
        except TapscanError as error:
            fault = str(error)
    return {
        "piece": piece,
        "fault": fault,
        "checks": [_check(check, every) for check in reversed(checks)],
        "unjudged": bench.unjudged,
        "warnings": warnings,
    }


def setup_routes() -> list[Route]:
    """Say what the page may ask of the setup."""
    return [
        Route("/api/setup", answered(lambda request: json_answer(setup_document(bench_of(request))))),
        Route("/api/setup/begin", answered_async(_begin), methods=["POST"]),
        Route("/api/setup/end", answered_async(_end), methods=["POST"]),
        Route("/setup/{time}/{method}.png", answered(_chart)),
    ]


async def _begin(request: "Request") -> Response:
    """Begin a check whose readings come as files; the answer names it."""
    bench = bench_of(request)
    operator, history = await fields_of(request, "operator", "history")
    begun = await run_sync(lambda: begin_check(bench, operator[:MOST_NAME], is_anew=history == "anew"))
    bench.begun[begun.about.time] = begun
    return json_answer({"time": begun.about.time})


async def _end(request: "Request") -> Response:
    """Judge a check once all its files have been sent."""
    bench = bench_of(request)
    (time,) = await fields_of(request, "time")
    begun = begun_of(bench, time)
    del bench.begun[time]
    await run_sync(end_check, bench, begun)
    return json_answer({})


def _check(check: "Check", every: "Sequence[Check]") -> dict[str, Any]:
    return {
        "time": check.about.time,
        "when": when(check.about.time),
        "piece": check.piece,
        "operator": check.about.operator,
        "outcome": check.outcome,
        "methods": [_method(check, one, every) for one in check.judged],
    }


def _method(check: "Check", one: "Judged", every: "Sequence[Check]") -> dict[str, Any]:
    method = one.figures.method
    return {
        "name": METHOD_WORDS[method],
        "outcome": one.outcome,
        "because": one.because,
        "changes": one.changes,
        "found": found_sentences(one.figures),
        "rows": [
            [item.name, value_text(item), limit_text(item), OUTCOME_SIGNS[item.outcome]] for item in one.items
        ],
        "chart": f"/setup/{check.about.time}/{method}.png" if has_chart(check, every, method) else "",
    }


def _chart(request: "Request") -> "Response":
    """Draw a check's chart, with the checks before it; nothing is written."""
    bench, time, method = bench_of(request), request.path_params["time"], request.path_params["method"]
    check = next((one for one in part_checks(bench.folder, []) if one.about.time == time), None)
    judged = None if check is None else check.of(method)
    if check is None or judged is None:
        return PlainTextResponse("There is no such chart.", 404)
    every = all_checks(bench.folder, bench.piece, [])
    content = bench.draw(lambda: chart_png(check, every, judged.figures.method))
    return Response(content, media_type="image/png") if content else PlainTextResponse("No history yet.", 404)
