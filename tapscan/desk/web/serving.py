"""The desk on a port of this computer: where it listens, and how long."""

import ipaddress
import secrets
import socket
from collections.abc import Callable

import uvicorn

from tapscan.desk.bench import Bench
from tapscan.desk.web.guard import Door
from tapscan.desk.web.routes import clear_arrivals, desk_app
from tapscan.errors import TapscanError

__all__ = ["USUAL_PORT", "open_door", "outward_address", "serve"]

# The same each time where it is free, so that the browser remembers that it may use the microphone.
USUAL_PORT = 8327
_MOST_MESSAGE_BYTES = 1 << 20  # on the socket: five seconds of sound at 48 kHz


def open_door(address: str, port: int | None) -> tuple[Door, socket.socket]:
    """Listen on an address of this computer; on any free port when none is asked for and the usual is taken.

    Raises
    ------
    TapscanError
        When the address is none of this computer's, or the port is taken.
    """
    family = _family(address)
    wanted = (USUAL_PORT, 0) if port is None else (port,)
    for number in wanted:
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((address, number))
            listener.listen()
        except OSError as error:
            listener.close()
            fault = error
        else:
            is_secure = not ipaddress.ip_address(address).is_loopback
            outward = outward_address(address) if is_secure else ""
            port = listener.getsockname()[1]
            return Door(address, port, secrets.token_urlsafe(24), is_secure, outward), listener
    where = f"{address} port {wanted[-1]}"
    raise TapscanError(where, f"cannot be listened on: {fault.strerror}", "choose another --port or --listen")


def outward_address(address: str) -> str:
    """Give the address by which other devices reach the desk; no packet is sent to find it.

    Examples
    --------
    >>> outward_address("192.168.1.20")
    '192.168.1.20'
    """
    if not ipaddress.ip_address(address).is_unspecified:
        return address
    family = _family(address)
    # Addresses that documents use (RFC 5737 and 3849): the system says from which of its own it would send.
    there = "192.0.2.1" if family == socket.AF_INET else "2001:db8::1"
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((there, 9))
        except OSError:
            where, what = f"--listen {address}", "finds no network on this computer"
            raise TapscanError(where, what, "join the network first, or give the address") from None
        return str(probe.getsockname()[0])


def _family(address: str) -> socket.AddressFamily:
    try:
        number = ipaddress.ip_address(address)
    except ValueError:
        where, what = f"--listen {address}", "is not an address of this computer in numbers"
        raise TapscanError(where, what, "give one such as 192.168.1.20") from None
    return socket.AF_INET if number.version == 4 else socket.AF_INET6


def serve(
    bench: Bench, door: Door, listener: socket.socket, ready: Callable[[], None] = lambda: None
) -> None:
    """Answer the page until the program is asked to stop; `ready` is called once the desk answers.

    A plan with mistakes is shown as a form; what else is wrong with the folder is said before that.
    """
    from tapscan.desk.web.certificates import identity_for

    identity = identity_for(door.outward) if door.is_secure else None
    clear_arrivals(bench.folder)
    if bench.has_readings():
        bench.start(writes=False)
    config = uvicorn.Config(
        desk_app(bench, door, identity),
        ws="websockets-sansio",
        ws_max_size=_MOST_MESSAGE_BYTES,
        lifespan="off",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=2,
        ssl_certfile=None if identity is None else identity.path,
    )
    ready()  # the socket listens already: a browser that comes early waits
    uvicorn.Server(config).run(sockets=[listener])
