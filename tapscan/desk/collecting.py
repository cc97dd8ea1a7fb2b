"""Taps from the browser's microphone, or from an input of this computer: what became of them goes back.

The page first says, as one JSON object, which zones are to be walked, and either at which rate its sound
comes or which of the computer's inputs shall listen. With `known_piece` (who taps, and whether a new history
begins) the zones are those of the known piece, and the setup is judged once the page has left. In the first
case every binary message that follows is a block of float32 samples, little-endian; in both every text is a
command. A tap is reported after it is on disk. One page collects at a time; another one gets a sentence that
says this.
"""

import json
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from anyio import CancelScope, Lock, create_task_group
from anyio.to_thread import run_sync
from starlette.websockets import WebSocketDisconnect

from tapscan.capture import COMMANDS, Session
from tapscan.capture.events import Warned
from tapscan.capture.sound.cues import CUES, cue_of
from tapscan.capture.sound.sources import LEAST_RATE_HZ, MOST_RATE_HZ, SoundCard, choose, input_devices
from tapscan.desk.setups import MOST_NAME, begin_check, end_check
from tapscan.errors import TapscanError, sentence
from tapscan.records.inspection import open_inspection
from tapscan.records.tables import json_text

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterable, MutableMapping
    from pathlib import Path

    from starlette.websockets import WebSocket

    from tapscan.capture.events import Event
    from tapscan.capture.sound.sources import Block
    from tapscan.desk.bench import Bench

__all__ = ["collect", "inputs_document"]

MOST_WHOLE = 10**15
_SAMPLE = np.dtype("<f4")
_WHERE = "the microphone"
_MAKES_ROOM_S = 2.0  # a page that has just finished is still closing its files
_ODD = TapscanError(_WHERE, "sent what the desk does not understand", "load the page again")


def inputs_document() -> dict[str, object]:
    """Name what this computer can record from; where it can from nothing, say why."""
    try:
        devices = input_devices()
    except TapscanError as error:
        return {"inputs": [], "why_none": str(error)}
    return {"inputs": [{"number": one.number, "name": one.name} for one in devices], "why_none": ""}


async def collect(socket: "WebSocket") -> None:
    """Serve one page's capture from its first message until it leaves."""
    bench: Bench = socket.app.state.bench
    await socket.accept()
    try:
        first = await socket.receive()
        if first["type"] == "websocket.disconnect":
            return
        message = _object(first.get("text") or "")
        piece = _piece(message.pop("known_piece", None))
        source, settings = _begin(message)
        if not await run_sync(lambda: bench.collecting.acquire(timeout=_MAKES_ROOM_S)):
            what = "another page is collecting already"
            raise TapscanError(_WHERE, what, "go on there, or end it there first")
        try:
            if piece is None:
                await _serve(socket, bench.folder, source, settings)
            else:
                await _check_setup(socket, bench, piece, source, settings)
        finally:
            bench.collecting.release()
    except TapscanError as error:
        await _tell(socket, [{"event": "fault", "sentence": str(error)}])
        await socket.close()
    except WebSocketDisconnect:
        pass  # the page was closed; every tap that was reported to it is on disk


async def _check_setup(
    socket: "WebSocket", bench: "Bench", piece: dict[str, Any], source: Any, settings: dict[str, Any]
) -> None:
    """Collect on the known piece, then judge; however the page leaves, what was tapped is judged and kept."""
    begun = await run_sync(lambda: begin_check(bench, piece["operator"], is_anew=piece["is_anew"]))
    try:
        await _tell(socket, [{"event": "check", "time": begun.about.time}])
        await _serve(socket, begun.place, source, settings)
    finally:
        with CancelScope(shield=True):
            await run_sync(end_check, bench, begun)


async def _serve(socket: "WebSocket", folder: "Path", source: Any, settings: dict[str, Any]) -> None:
    serve = _serve_input if isinstance(source, str) else _serve_browser
    await serve(socket, folder, source, settings)


async def _session(folder: "Path", rate_hz: float, source: str, settings: dict[str, Any]) -> Session:
    return await run_sync(lambda: Session(open_inspection(folder), rate_hz, source=source, **settings))


async def _serve_browser(
    socket: "WebSocket", folder: "Path", rate_hz: float, settings: dict[str, Any]
) -> None:
    # The session is not for two threads at once; each step is awaited before the next one begins.
    session = await _session(folder, rate_hz, "browser", settings)
    try:
        await _tell(socket, [session.snapshot()])
        while True:
            message = await socket.receive()
            if message["type"] == "websocket.disconnect":
                return
            await _tell(socket, _documents(await run_sync(_step, session, message)))
    finally:
        session.close()


async def _serve_input(socket: "WebSocket", folder: "Path", wanted: str, settings: dict[str, Any]) -> None:
    """Listen with an input of this computer; only orders come over the socket."""
    ended: list[TapscanError | WebSocketDisconnect] = []
    turn = Lock()  # sound and orders come at once, and the session is for one of them at a time
    with await run_sync(lambda: SoundCard(choose(input_devices(), wanted))) as card:
        session = await _session(folder, card.sample_rate_hz, card.name, settings)

        async def do(step: "Callable[[], Iterable[Event]]") -> None:
            async with turn:
                await _tell(socket, _documents(await run_sync(step)))

        async def listen() -> None:
            blocks = card.blocks()
            while True:
                block = await run_sync(next, blocks)
                await do(partial(_heard, session, block))

        async def obey() -> None:
            while (message := await socket.receive())["type"] != "websocket.disconnect":
                await do(partial(_step, session, message))

        try:
            await _tell(socket, [session.snapshot()])
            async with create_task_group() as group:

                async def until_the_end(work: "Callable[[], Awaitable[None]]") -> None:
                    try:
                        await work()
                    except (TapscanError, WebSocketDisconnect) as end:
                        ended.append(end)
                    group.cancel_scope.cancel()

                group.start_soon(until_the_end, listen)
                group.start_soon(until_the_end, obey)
        finally:
            session.close()
    if ended:
        raise ended[0]


def _heard(session: Session, block: "Block") -> "Iterable[Event]":
    if block.is_broken:
        session.interrupt()
    events = session.feed(block.samples)
    return (Warned(block.warning), *events) if block.warning else events


def _begin(message: dict[str, Any]) -> tuple[Any, dict[str, Any]]:
    """Check the first message: a rate, or the number of an input, and what the session takes beside it."""
    zones, is_back = message.get("zones"), message.get("there_and_back")
    if not isinstance(is_back, bool) or not isinstance(zones, list):
        raise _ODD
    if not all(isinstance(code, str) for code in zones):
        raise _ODD
    settings = {"zones": tuple(zones), "there_and_back": is_back}
    given = set(message) - set(settings)
    if given == {"input"} and isinstance(message["input"], str):
        return message["input"][:40], settings
    rate_hz = message.get("sample_rate_hz")
    if given != {"sample_rate_hz"} or isinstance(rate_hz, bool) or not isinstance(rate_hz, int | float):
        raise _ODD
    rate_hz = float(
        max(min(rate_hz, MOST_WHOLE), -MOST_WHOLE)
    )  # a whole number of any length cannot become a float
    if not LEAST_RATE_HZ <= rate_hz <= MOST_RATE_HZ:
        what = f"delivers {rate_hz:g} samples per second"
        raise TapscanError(_WHERE, what, "choose 44,100 or 48,000 for it")
    return rate_hz, settings


def _piece(given: Any) -> dict[str, Any] | None:
    """Check what is said of a check of the setup: who taps, and whether its history begins anew."""
    if given is None:
        return None
    kinds = {"operator": str, "is_anew": bool}
    if not isinstance(given, dict) or {name: type(value) for name, value in given.items()} != kinds:
        raise _ODD
    return {**given, "operator": given["operator"][:MOST_NAME]}


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
    if not isinstance(point, str) or not isinstance(name, str) or name not in {"go to", *COMMANDS}:
        raise _ODD
    return session.command(name, point[:40])


def _object(text: str) -> dict[str, Any]:
    try:
        document = json.loads(text)
        json.dumps(document, ensure_ascii=False).encode("utf-8")  # half a character is no text
    except (ValueError, RecursionError):
        raise _ODD from None
    if not isinstance(document, dict):
        raise _ODD
    return document


def _documents(events: "Iterable[Event]") -> list[dict[str, object]]:
    """Give events as JSON, the weightiest of them with the cue that the page is to sound."""
    happened = tuple(events)
    documents = [event.as_document() for event in happened]
    weightiest = cue_of(happened)
    if weightiest is not None:
        notes_hz, note_s = CUES[weightiest]
        first = next(
            document
            for event, document in zip(happened, documents, strict=True)
            if cue_of((event,)) == weightiest
        )
        first["cue"] = {"notes_hz": notes_hz, "note_s": note_s}
    return documents


async def _tell(socket: "WebSocket", documents: list[dict[str, object]]) -> None:
    for document in documents:
        if document["event"] == "refused":
            document["sentence"] = sentence("collecting", str(document["what"]), str(document["remedy"]))
        await socket.send_text(json_text(document))
