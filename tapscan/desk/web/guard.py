"""Who may talk to the desk: the holder of the token, from the desk's own page, in messages of bounded size.

A page anywhere on the web can send requests to a server on this computer. So every request must name the desk
as its host (a name that was made to point here does not), must not come from another page's origin, and must
carry the token: as a cookie that the browser sends for the desk's own pages alone.
"""

import hmac
import ipaddress
import re
from collections.abc import MutableMapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["MOST_BODY_BYTES", "Door", "Guard"]

MOST_BODY_BYTES = 256_000  # of a request; files that are sent in have a limit of their own
UPLOADS = frozenset({"/api/files", "/api/photos"})

# Everything the page needs comes from the desk; nothing else is loaded, sent or framed.
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "microphone=(self), camera=(), geolocation=()",
    "Cache-Control": "no-store",
}


@dataclass(frozen=True, slots=True)
class Door:
    """Where the desk is and what opens it.

    `address` is what it listens on; `is_secure` when it answers over HTTPS, which it does for other devices;
    `outward` the address by which these reach it where it listens on all of them.
    """

    address: str
    port: int
    token: str
    is_secure: bool = False
    outward: str = ""

    @property
    def scheme(self) -> str:
        """How its addresses begin."""
        return "https" if self.is_secure else "http"

    @property
    def cookie(self) -> str:
        """The cookie's name; browsers share cookies between all ports, so that each desk needs its own."""
        return f"tapscan-desk-{self.port}"

    @property
    def url(self) -> str:
        """The address to open in a browser."""
        number = ipaddress.ip_address(self.address)
        here = {4: "127.0.0.1", 6: "::1"}[number.version] if number.is_unspecified else self.address
        if self.is_secure:  # the one that the certificate is for
            here = self.outward or here
        return f"{self.scheme}://{_host(here)}:{self.port}/?{urlencode({'token': self.token})}"

    def is_own_host(self, host: str) -> bool:
        """Whether a Host header names this desk: by a number, or as localhost, never by a foreign name.

        Examples
        --------
        >>> door = Door("127.0.0.1", 8327, "secret")
        >>> door.is_own_host("127.0.0.1:8327"), door.is_own_host("part.example:8327")
        (True, False)
        """
        usual = 443 if self.is_secure else 80  # browsers leave it out
        name, _, port = (host if re.search(r":\d+$", host) else f"{host}:{usual}").lower().rpartition(":")
        if port != str(self.port):
            return False
        if name in {"127.0.0.1", "localhost", "[::1]", _host(self.address)}:
            return True
        # Asked to listen on every address of the computer, the desk is reached by any of them.
        return ipaddress.ip_address(self.address).is_unspecified and _is_number(name.strip("[]"))

    def opens(self, token: str) -> bool:
        """Whether this is the token, in a time that does not depend on how much of it is right."""
        return hmac.compare_digest(token.encode(), self.token.encode())


class Guard:
    """Comes before every route: refuses whoever it does not know, and adds the headers of a strict page."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app = app
        self._door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return
        refusal = self._refusal(HTTPConnection(scope))
        if scope["type"] == "websocket":
            await self._socket(refusal, scope, receive, send)
            return
        strict = _with_headers(send)
        if scope["path"] == "/" and (token := _token_of(scope)) and refusal != _ELSEWHERE:
            await self._open(token)(scope, receive, strict)
        elif refusal:
            await PlainTextResponse(refusal, status_code=403)(scope, receive, strict)
        else:
            await self._bounded(scope, receive, strict)

    async def _socket(self, refusal: str, scope: Scope, receive: Receive, send: Send) -> None:
        if refusal:
            await receive()  # the request to connect
            await send({"type": "websocket.close", "code": 1008, "reason": refusal})
        else:
            await self._app(scope, receive, send)

    def _refusal(self, connection: HTTPConnection) -> str:
        """Say why a request is not answered; '' when it is."""
        headers = connection.headers
        if not self._door.is_own_host(headers.get("host", "")):
            return _ELSEWHERE
        origin = headers.get("origin")
        must_tell = connection.scope["type"] == "websocket" or connection.scope["method"] not in {
            "GET",
            "HEAD",
        }
        if (origin is not None or must_tell) and origin != f"{self._door.scheme}://{headers['host']}":
            return _ELSEWHERE
        if not self._door.opens(connection.cookies.get(self._door.cookie, "")):
            return "This address needs its token: open the whole address that tapscan desk printed."
        return ""

    def _open(self, token: str) -> PlainTextResponse | RedirectResponse:
        """Turn the token in the address into a cookie, so that it is in no history and no link."""
        if not self._door.opens(token):
            return PlainTextResponse(
                "That token is not this desk's: open the address that tapscan desk printed last.", 403
            )
        answer = RedirectResponse("/", status_code=303)
        answer.set_cookie(
            self._door.cookie,
            token,
            httponly=True,
            samesite="strict",
            path="/",
            secure=self._door.is_secure,
        )
        return answer

    async def _bounded(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through whose body stays within bounds, whatever it claims."""
        if scope["path"] in UPLOADS:
            await self._app(scope, receive, send)
            return
        claimed = Headers(scope=scope).get("content-length", "0")
        if not claimed.isdecimal() or int(claimed) > MOST_BODY_BYTES:
            await PlainTextResponse(_TOO_LARGE, 413)(scope, receive, send)
            return
        taken = 0

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > MOST_BODY_BYTES:
                raise HTTPException(413, _TOO_LARGE)
            return message

        await self._app(scope, counted, send)


_TOO_LARGE = "That is more than the desk takes in one message."
_ELSEWHERE = "The desk answers its own page alone, at the address that tapscan desk printed."


def _with_headers(send: Send) -> Send:
    async def strict(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return strict


def _token_of(scope: Scope) -> str:
    query: str = scope["query_string"].decode("latin-1")
    return parse_qs(query).get("token", [""])[0]


def _host(address: str) -> str:
    return f"[{address}]" if ":" in address else address


def _is_number(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True
