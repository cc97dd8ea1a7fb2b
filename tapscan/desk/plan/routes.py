"""Routes that write the plan: marks, notes, the form, undo and redo."""

import re
from functools import partial
from typing import TYPE_CHECKING, Any, cast

from anyio.to_thread import run_sync
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from tapscan.desk.plan.form import form_document, write_form
from tapscan.desk.plan.marks import write_marks
from tapscan.desk.plan.notes import write_note
from tapscan.desk.web.requests import (
    ODD_MESSAGE,
    answered,
    answered_async,
    bench_of,
    fields_of,
    json_answer,
    named_point,
    row_of,
)
from tapscan.errors import TapscanError
from tapscan.plan import parse_block
from tapscan.plan.text.tables import TABLES

if TYPE_CHECKING:
    from tapscan.desk.plan.marks import Mark

__all__ = ["plan_routes"]

_MARK_WORDS = {"reference": "known good", "skip": "skip", "none": "clear mark at"}


def plan_routes() -> list[Route]:
    """List the routes that write the plan."""
    return [
        Route("/api/plan-form", answered(_form)),
        Route("/api/plan-form", answered_async(_plan_form), methods=["POST"]),
        Route("/api/marks", answered_async(_mark), methods=["POST"]),
        Route("/api/notes", answered_async(_note), methods=["POST"]),
        Route("/api/undo", answered(_undo), methods=["POST"]),
        Route("/api/redo", answered(_redo), methods=["POST"]),
    ]


def _form(request: Request) -> Response:
    return json_answer(form_document(bench_of(request).folder))


def _undo(request: Request) -> Response:
    return json_answer({"version": bench_of(request).undo()})


def _redo(request: Request) -> Response:
    return json_answer({"version": bench_of(request).redo()})


async def _mark(request: Request) -> Response:
    bench = bench_of(request)
    version, zone, points, mark = await fields_of(request, "version", "zone", "points", "mark")
    blocks = [parse_block(text) for text in points.split(" ")]
    known = [block for block in blocks if block is not None]
    if len(known) < len(blocks) or mark not in _MARK_WORDS:
        raise TapscanError(*ODD_MESSAGE)

    write = partial(write_marks, bench.folder, version, zone, known, cast("Mark", mark))
    words = f"{_MARK_WORDS[mark]} {zone}-{points}"
    return json_answer({"version": await run_sync(bench.change_plan, words, write)})


async def _plan_form(request: Request) -> Response:
    """Write the plan from the form: `tables` as `plan_form.edited_text` takes them."""
    bench = bench_of(request)
    try:
        document: Any = await request.json()
        version, tables = document["version"], _form_tables(document["tables"])
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise TapscanError(*ODD_MESSAGE) from None
    write = partial(write_form, bench.folder, version, tables)
    return json_answer({"version": await run_sync(bench.change_plan, "plan form", write)})


def _form_tables(document: Any) -> dict[str, Any]:
    """Check that a form is made of texts, and that its zones name zones."""
    tables: dict[str, Any] = {
        name: [row_of(one) for one in table] if name == "zone" else row_of(table)
        for name, table in document.items()
    }
    if set(tables) - set(TABLES) or any(not re.fullmatch(r"\d{0,6}", one["was"]) for one in tables["zone"]):
        raise ValueError
    return tables


async def _note(request: Request) -> Response:
    bench = bench_of(request)
    name, note, was = await fields_of(request, "point", "note", "was")
    point = named_point(name)

    write = partial(write_note, bench.folder, point, note, was)
    return json_answer({"version": await run_sync(bench.change_plan, f"note at {point}", write)})
