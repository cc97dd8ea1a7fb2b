"""Routes of the zones on photos: what the page draws comes in, the plan's geometry and its text go out."""

import re
from functools import partial
from typing import TYPE_CHECKING, Any, cast

from anyio.to_thread import run_sync
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from tapscan.desk.plan.photo_zones import DRAFT_KEYS, write_photo_zone, zone_drafts
from tapscan.desk.views.photo_drafts import draft_document, grid_document
from tapscan.desk.web.requests import ODD_MESSAGE, answered, answered_async, bench_of, json_answer, row_of
from tapscan.errors import TapscanError
from tapscan.pictures import picture_facts, sha256_of
from tapscan.records.places import without_place_in

if TYPE_CHECKING:
    from pathlib import Path

    from tapscan.desk.views.photo_drafts import Bend

__all__ = ["photo_zone_routes"]

_TEXTS = ("code", "name", "photo", "photo_sha256", "same_points_as")
_ENDINGS = frozenset({".jpg", ".jpeg", ".png"})


def photo_zone_routes() -> list[Route]:
    """List the routes that draw zones on photos."""
    return [
        Route("/api/photo-zones", answered(_zones)),
        Route("/api/photo-zones", answered_async(_save), methods=["POST"]),
        Route("/api/photo-zones/draft", answered_async(_draft), methods=["POST"]),
        Route("/api/photo-zones/grid", answered_async(_grid), methods=["POST"]),
        Route("/api/photo-zones/photos/{name}", answered(_photo)),
        Route("/api/photo-zones/photos/{name}/place", answered(_without_place), methods=["POST"]),
    ]


def _names(folder: "Path") -> list[str]:
    home = folder.resolve()
    return [
        f"photos/{path.name}"
        for path in sorted((folder / "photos").glob("*"))
        if path.suffix.lower() in _ENDINGS and path.is_file() and path.resolve().is_relative_to(home)
    ]


def _zones(request: Request) -> Response:
    folder = bench_of(request).folder
    return json_answer({**zone_drafts(folder), "photos": _names(folder)})


def _photo_of(request: Request) -> str:
    photo = f"photos/{request.path_params['name']}"
    if photo not in _names(bench_of(request).folder):
        raise TapscanError(photo[:80], "is no JPEG or PNG photo of this inspection", "choose one of the list")
    return photo


def _photo(request: Request) -> Response:
    folder, photo = bench_of(request).folder, _photo_of(request)
    facts = picture_facts(folder / photo, photo)
    return json_answer(
        {
            "photo": photo,
            "width": facts.width_px,
            "height": facts.height_px,
            "has_place": facts.has_place,
            "sha256": sha256_of(folder / photo),
        }
    )


def _without_place(request: Request) -> Response:
    bench = bench_of(request)
    with bench.writing:
        without_place_in(bench.folder, _photo_of(request))
    return _photo(request)


async def _draft(request: Request) -> Response:
    bench = bench_of(request)
    draft = _draft_of(await _document_of(request))
    return json_answer(await run_sync(draft_document, draft, bench.folder))


async def _grid(request: Request) -> Response:
    bench, document = bench_of(request), await _document_of(request)
    draft = _draft_of(document)
    bend, count, first = (document.get(key) for key in ("bend", "count", "first"))
    if not isinstance(first, str) or not _is_bend(bend) or not _is_count(count):
        raise TapscanError(*ODD_MESSAGE)
    lay = partial(grid_document, draft, bench.folder, cast("Bend", bend), cast("list[int]", count), first)
    return json_answer(await run_sync(lay))


async def _save(request: Request) -> Response:
    """Write the zone into the plan, as one change that can be undone."""
    bench, document = bench_of(request), await _document_of(request)
    draft, version, was = _draft_of(document), document.get("version"), document.get("was")
    if not isinstance(version, str) or not isinstance(was, str) or not re.fullmatch(r"\d{0,6}", was):
        raise TapscanError(*ODD_MESSAGE)
    write = partial(write_photo_zone, bench.folder, version, was, draft)
    words = f"points on the photo of zone {draft.get('code', '')}"
    return json_answer({"version": await run_sync(bench.change_plan, words, write)})


async def _document_of(request: Request) -> dict[str, Any]:
    try:
        document: Any = await request.json()
    except (ValueError, RecursionError):
        raise TapscanError(*ODD_MESSAGE) from None
    if not isinstance(document, dict):
        raise TapscanError(*ODD_MESSAGE)
    return document


def _draft_of(document: dict[str, Any]) -> dict[str, Any]:
    """Check that a message has a draft of a zone: known keys, and texts where there must be some."""
    draft = document.get("zone")
    if (
        not isinstance(draft, dict)
        or set(draft) - DRAFT_KEYS
        or not isinstance(draft.get("points", []), list)
    ):
        raise TapscanError(*ODD_MESSAGE)
    try:
        row_of({key: draft.get(key, "") for key in _TEXTS})
    except (TypeError, ValueError):
        raise TapscanError(*ODD_MESSAGE) from None
    return draft


def _is_bend(value: object) -> bool:
    return isinstance(value, list) and len(value) == 9 and all(one is None or _is_place(one) for one in value)


def _is_count(value: object) -> bool:
    whole = isinstance(value, list) and all(type(one) is int and abs(one) <= 100_000 for one in value)
    return whole and len(cast("list[int]", value)) == 2


def _is_place(value: object) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 2
        and all(isinstance(one, int | float) and abs(one) < 1e6 for one in value)
    )
