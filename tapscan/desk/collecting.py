"""Taps from the browser's microphone: blocks of sound come in over a socket, what became of them goes back.

The page first says at which rate its sound comes and which zones are to be walked, as one JSON object; then
every binary message is a block of float32 samples, little-endian, and every text a command. What is told of a
tap is told after the tap is on disk. One page collects at a time; another one is told so.
"""

import json
from typing import TYPE_CHECKING, Any

import numpy as np
from anyio.to_thread import run_sync
from starlette.websockets import WebSocketDisconnect

from tapscan.capture import COMMANDS, Session
from tapscan.errors import TapscanError, sentence
from tapscan.records.tables import json_text

if TYPE_CHECKING:
    from collections.abc import Iterable, MutableMapping

    from starlette.websockets import WebSocket

    from tapscan.capture.events import Event
    from tapscan.desk.bench import Bench

__all__ = ["collect"]

# What any sound card of today delivers; beyond, the page has made a mistake.
_LEAST_RATE_HZ, _MOST_RATE_HZ = 8_000, 768_000
_SAMPLE = np.dtype("<f4")
_WHERE = "the microphone"
_ODD = TapscanError(_WHERE, "sent what the desk does not understand", "load the page again")


async def collect(socket: "WebSocket") -> None:
    """Serve one page's capture from its first message until it leaves."""
    bench: Bench = socket.app.state.bench
    await socket.accept()
    try:
        first = await socket.receive()
        if first["type"] == "websocket.disconnect":
            return
        rate_hz, settings = _begin(_object(first.get("text") or ""))
        if not bench.collecting.acquire(blocking=False):
            what = "another page is collecting already"
            raise TapscanError(_WHERE, what, "go on there, or end it there first")
        try:
            await _serve(socket, bench, rate_hz, settings)
        finally:
            bench.collecting.release()
    except TapscanError as error:
        await _tell(socket, [{"event": "fault", "sentence": str(error)}])
        await socket.close()
    except WebSocketDisconnect:
        pass  # the page was closed; every tap that it was told of is on disk


async def _serve(socket: "WebSocket", bench: "Bench", rate_hz: float, settings: dict[str, Any]) -> None:
    def begin() -> Session:
        return Session(bench.inspection(), rate_hz, source="browser", **settings)

    # The session is not for two threads at once; each step is awaited before the next one begins.
    session = await run_sync(begin)
    try:
        await _tell(socket, [session.snapshot()])
        while True:
            message = await socket.receive()
            if message["type"] == "websocket.disconnect":
                return
            await _tell(socket, _documents(await run_sync(_step, session, message)))
    finally:
        session.close()


def _begin(message: dict[str, Any]) -> tuple[float, dict[str, Any]]:
    """Check the first message: the rate, and what the session takes beside it."""
    rate_hz, zones = message.get("sample_rate_hz"), message.get("zones")
    is_back = message.get("there_and_back")
    known = {"sample_rate_hz", "zones", "there_and_back"}
    if set(message) != known or not isinstance(is_back, bool) or not isinstance(zones, list):
        raise _ODD
    if not isinstance(rate_hz, (int, float)) or not all(isinstance(code, str) for code in zones):
        raise _ODD
    if not _LEAST_RATE_HZ <= rate_hz <= _MOST_RATE_HZ:
        what = f"delivers {rate_hz:g} samples per second"
        raise TapscanError(_WHERE, what, "choose 44,100 or 48,000 for it")
    return float(rate_hz), {"zones": tuple(zones), "there_and_back": is_back}


def _step(session: Session, message: "MutableMapping[str, Any]") -> "Iterable[Event]":
    """Take a block of sound or a command, and say what came of it."""
    block = message.get("bytes")
    if block is not None:
        if len(block) % _SAMPLE.itemsize:
            raise _ODD
        return session.feed(np.frombuffer(block, dtype=_SAMPLE))
    order = _object(message.get("text") or "")
    name, point = order.get("command"), order.get("point", "")
    if name == "interrupt":
        session.interrupt()
        return ()
    if not isinstance(point, str) or (name != "go to" and name not in COMMANDS):
        raise _ODD
    return session.command(str(name), point[:40])


def _object(text: str) -> dict[str, Any]:
    try:
        document = json.loads(text)
    except ValueError:
        raise _ODD from None
    if not isinstance(document, dict):
        raise _ODD
    return document


def _documents(events: "Iterable[Event]") -> list[dict[str, object]]:
    return [event.as_document() for event in events]


async def _tell(socket: "WebSocket", documents: list[dict[str, object]]) -> None:
    for document in documents:
        if document["event"] == "refused":
            document["sentence"] = sentence("collecting", str(document["what"]), str(document["remedy"]))
        await socket.send_text(json_text(document))
