"""How a phone opens the desk: the code to point its camera at, and what its browser asks on the way."""

from typing import TYPE_CHECKING

from starlette.responses import Response
from starlette.routing import Route

from tapscan.records.tables import json_text

if TYPE_CHECKING:
    from starlette.requests import Request

    from tapscan.desk.web.certificates import Identity
    from tapscan.desk.web.guard import Door

__all__ = ["STEPS", "phone_routes", "terminal_code"]

STEPS = (
    "Have the phone on the same network as this computer.",
    "Point its camera at the code, and open the address that it shows.",
    "The browser warns that it does not know the desk's certificate. Compare the fingerprint in its details.",
    "If it is the one shown here, go on to the page. If not, close it.",
    "On the page choose Collect, then Start, and allow the microphone.",
    "If no sound arrives (some iPhones and iPads): open /desk.crt there and install the profile.",
    "Then trust it in the settings under certificate trust. It is good for this one address alone.",
)


def terminal_code(url: str) -> str:
    """Draw the address as a QR code for a terminal.

    Examples
    --------
    >>> "█" in terminal_code("https://192.168.1.20:8327/?token=x")
    True
    """
    import io

    import segno

    stream = io.StringIO()
    segno.make(url, error="l", micro=False).terminal(stream, compact=True)
    return stream.getvalue()


def phone_routes(door: "Door", identity: "Identity | None") -> list[Route]:
    """Say how a phone opens this desk; without an identity no other device can, and the page says nothing."""

    def phone(_: "Request") -> Response:
        document = None
        if identity is not None:
            import segno

            code = segno.make(door.url, error="l", micro=False)
            rows = ["".join("1" if dark else "0" for dark in row) for row in code.matrix]
            document = {"rows": rows, "fingerprint": identity.fingerprint, "steps": STEPS}
        return Response(json_text(document), media_type="application/json")

    def certificate(_: "Request") -> Response:
        from tapscan.desk.web.certificates import certificate_pem

        if identity is None:
            return Response("This desk serves no other device.", 404)
        return Response(certificate_pem(identity), media_type="application/x-x509-ca-cert")

    return [Route("/api/phone", phone), Route("/desk.crt", certificate)]
