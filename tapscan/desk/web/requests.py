"""What the desk's routes share: requests read and checked, and answers in JSON."""

from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from tapscan.desk.cutting import MOST_FIELD_CHARACTERS
from tapscan.desk.plan.form import listed_mistakes
from tapscan.errors import TapscanError
from tapscan.plan import Point, parse_point
from tapscan.records.tables import json_text

if TYPE_CHECKING:
    from tapscan.desk.bench import Bench

__all__ = [
    "ODD_MESSAGE",
    "answered",
    "answered_async",
    "bench_of",
    "fields_of",
    "json_answer",
    "named_point",
    "row_of",
    "texts_of",
]

ODD_MESSAGE = ("the message", "is not what the desk expects", "load the page again")

Endpoint = Callable[[Request], Response]
AsyncEndpoint = Callable[[Request], Awaitable[Response]]


def answered(endpoint: Endpoint) -> Endpoint:
    """Answer a user's error with its sentence."""

    def answer(request: Request) -> Response:
        try:
            return endpoint(request)
        except TapscanError as error:
            return json_answer({"fault": str(error)}, 400)

    return answer


def answered_async(endpoint: AsyncEndpoint) -> AsyncEndpoint:
    """Answer a user's error with its sentence, and with each mistake of a form."""

    async def answer(request: Request) -> Response:
        try:
            return await endpoint(request)
        except TapscanError as error:
            return json_answer({"fault": str(error), "mistakes": listed_mistakes(error)}, 400)

    return answer


def json_answer(document: object, status: int = 200) -> Response:
    """Answer with a document."""
    return Response(json_text(document), status, media_type="application/json")


def bench_of(request: Request) -> "Bench":
    """Return the bench that the desk serves."""
    bench: Bench = request.app.state.bench
    return bench


def named_point(text: str) -> Point:
    """Read a point from a path; TapscanError when it names none."""
    point = parse_point(text.upper())
    if point is None:
        raise TapscanError(text[:40], "is not the name of a point", "write it like BM-07-05")
    return point


async def fields_of(request: Request, *names: str) -> list[str]:
    """Read a small JSON object with exactly these texts."""
    document = await texts_of(request)
    if set(document) != set(names):
        raise TapscanError(*ODD_MESSAGE)
    return [document[name] for name in names]


async def texts_of(request: Request) -> dict[str, str]:
    """Read a small JSON object whose values are texts."""
    try:
        document: Any = await request.json()
        texts = {key: value.encode("utf-8").decode() for key, value in document.items()}
    except (ValueError, AttributeError, RecursionError):  # half a character is no text, either
        raise TapscanError(*ODD_MESSAGE) from None
    return texts


def row_of(document: Any) -> dict[str, str]:
    """Check that a part of a message is an object of short texts; TypeError or ValueError when it is not."""
    if not isinstance(document, dict):
        raise TypeError
    row = {str(key): value.encode("utf-8").decode() for key, value in document.items() if _is_field(value)}
    if len(row) < len(document):
        raise ValueError
    return row


def _is_field(value: object) -> bool:
    return isinstance(value, str) and len(value) <= MOST_FIELD_CHARACTERS
