"""The desk for a phone: encrypted, with a certificate that is kept, opened by a code."""

import hashlib
import http.client
import json
import re
import socket
import ssl
import stat
import threading

import pytest
import segno
import uvicorn
from click.testing import CliRunner
from cryptography import x509
from websockets.sync.client import connect

from tapscan.cli import main
from tapscan.desk.bench import Bench
from tapscan.desk.web import certificates, serving
from tapscan.desk.web.certificates import certificate_pem, identity_for
from tapscan.desk.web.guard import Door
from tapscan.desk.web.phones import terminal_code
from tapscan.desk.web.routes import desk_app
from tapscan.desk.web.serving import open_door, outward_address
from tests.desk.conftest import PLAN


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setattr(certificates, "settings_folder", lambda: tmp_path / "settings")
    return tmp_path / "settings"


def fingerprint_of(der: bytes) -> str:
    return hashlib.sha256(der).hexdigest().upper()


def test_the_certificate_is_kept_between_runs_and_readable_by_its_owner_alone(home):
    first = identity_for("192.168.1.20")
    again = identity_for("192.168.1.20")
    other = identity_for("192.168.1.21")
    assert first == again
    assert other.fingerprint != first.fingerprint
    assert stat.S_IMODE(first.path.stat().st_mode) == 0o600
    assert stat.S_IMODE(home.stat().st_mode) == 0o700
    assert b"PRIVATE" not in certificate_pem(first)
    assert sorted(path.name for path in home.iterdir()) == ["192.168.1.20.pem", "192.168.1.21.pem"]


def test_a_certificate_that_is_damaged_or_ends_soon_is_made_anew(home, monkeypatch):
    first = identity_for("192.168.1.20")
    monkeypatch.setattr(certificates, "LEAST_DAYS_LEFT", 798)
    assert identity_for("192.168.1.20").fingerprint == first.fingerprint
    monkeypatch.setattr(certificates, "LEAST_DAYS_LEFT", 800)
    second = identity_for("192.168.1.20")
    assert second.fingerprint != first.fingerprint
    monkeypatch.undo()
    second.path.write_bytes(b"-----BEGIN")
    assert identity_for("192.168.1.20", home).fingerprint not in {first.fingerprint, second.fingerprint}


def test_the_certificate_names_its_one_address_and_can_vouch_for_no_other(tmp_path):
    certificate = x509.load_pem_x509_certificate(certificate_pem(identity_for("10.1.2.3", tmp_path)))
    names = certificate.extensions.get_extension_for_class(x509.NameConstraints)
    assert names.critical
    assert [str(one.value) for one in names.value.permitted_subtrees] == ["10.1.2.3/32"]
    lasts = certificate.not_valid_after_utc - certificate.not_valid_before_utc
    assert lasts.days <= 825


def test_a_folder_that_cannot_be_written_is_one_sentence(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(Exception, match=r"cannot be written: .*\(make room, or make the folder writable\)"):
        identity_for("10.1.2.3", tmp_path / "file" / "desk")


def test_the_token_is_in_the_code_and_the_page_and_the_terminal_draw_the_same_one():
    url = Door("192.168.1.20", 8327, "a" * 32, True, "192.168.1.20").url
    assert url == f"https://192.168.1.20:8327/?token={'a' * 32}"
    # The library's own drawing of the same address, module by module: two in one character, above and below.
    matrix = [[bool(dark) for dark in row] for row in segno.make(url, error="l", micro=False).matrix]
    text = terminal_code(url)
    blocks = {" ": (1, 1), "▀": (0, 1), "▄": (1, 0), "█": (0, 0)}
    lines = [line for line in _plain(text).splitlines() if line]
    drawn = []
    for line in lines:
        pairs = [blocks[sign] for sign in line]
        drawn += [[bool(top) for top, _ in pairs], [bool(bottom) for _, bottom in pairs]]
    width = len(matrix)
    quiet = (len(drawn[0]) - width) // 2
    inner = [row[quiet : quiet + width] for row in drawn[quiet : quiet + width]]
    assert inner == matrix


def _plain(text: str) -> str:
    """Leave out what sets colours in a terminal."""
    return re.sub(r"\x1b\[[0-9;]*m", "", text)


@pytest.fixture
def secure_desk(folder, tmp_path):
    """A desk that answers over HTTPS, on loopback."""
    identity = identity_for("127.0.0.1", tmp_path / "settings")
    listener = socket.create_server(("127.0.0.1", 0))
    door = Door("127.0.0.1", listener.getsockname()[1], "the-token", True, "127.0.0.1")
    config = uvicorn.Config(
        desk_app(Bench(folder), door, identity),
        ws="websockets-sansio",
        lifespan="off",
        log_level="critical",
        ssl_certfile=identity.path,
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, args=([listener],))
    thread.start()
    yield door, identity
    server.should_exit = True
    thread.join(timeout=20)
    assert not thread.is_alive()


def trusting(identity) -> ssl.SSLContext:
    """A client that trusts this certificate alone, and checks the address."""
    return ssl.create_default_context(cadata=certificate_pem(identity).decode())


def get(door, context, path, **headers):
    connection = http.client.HTTPSConnection("127.0.0.1", door.port, timeout=30, context=context)
    try:
        connection.request("GET", path, headers=headers)
        answer = connection.getresponse()
        return answer.status, answer.headers, answer.read()
    finally:
        connection.close()


def test_a_phone_is_let_in_by_the_token_over_tls_and_by_nothing_else(secure_desk):
    door, identity = secure_desk
    context = trusting(identity)
    status, headers, _ = get(door, context, "/?token=the-token")
    assert status == 303
    assert all(word in headers["Set-Cookie"] for word in ("Secure", "HttpOnly", "SameSite=strict"))
    assert get(door, context, "/?token=another")[0] == 403
    assert get(door, context, "/api/plan")[0] == 403
    cookie = {"Cookie": f"{door.cookie}=the-token"}
    assert get(door, context, "/api/plan", **cookie)[0] == 200
    assert get(door, context, "/api/plan", Host="part.example", **cookie)[0] == 403
    assert get(door, context, "/api/plan", Origin=f"http://127.0.0.1:{door.port}", **cookie)[0] == 403
    with pytest.raises(ssl.SSLCertVerificationError):
        get(door, ssl.create_default_context(), "/api/plan")
    line = socket.create_connection(("127.0.0.1", door.port), timeout=10)
    with ssl._create_unverified_context().wrap_socket(line) as encrypted:
        shown = encrypted.getpeercert(binary_form=True)
    assert identity.fingerprint.replace(":", "") == fingerprint_of(shown)


def test_the_page_learns_the_code_the_fingerprint_and_the_steps(secure_desk):
    door, identity = secure_desk
    cookie = {"Cookie": f"{door.cookie}=the-token"}
    phone = json.loads(get(door, trusting(identity), "/api/phone", **cookie)[2])
    matrix = segno.make(door.url, error="l", micro=False).matrix
    assert phone["rows"] == ["".join(str(int(dark > 0)) for dark in row) for row in matrix]
    assert phone["fingerprint"] == identity.fingerprint
    assert any("Compare the fingerprint" in step for step in phone["steps"])
    assert get(door, trusting(identity), "/desk.crt", **cookie)[2] == certificate_pem(identity)
    assert get(door, trusting(identity), "/desk.crt")[0] == 403


def test_sound_comes_in_over_the_encrypted_socket(secure_desk):
    door, identity = secure_desk
    headers = {"Cookie": f"{door.cookie}=the-token"}
    address, origin = f"wss://127.0.0.1:{door.port}/capture", f"https://127.0.0.1:{door.port}"
    with connect(address, origin=origin, additional_headers=headers, ssl=trusting(identity)) as line:
        settings = {"zones": ["PL"], "there_and_back": False, "sample_rate_hz": 48000}
        line.send(json.dumps(settings))
        assert "standing" in line.recv(timeout=10)


def test_without_listen_nothing_changes(desk):
    assert not desk.door.is_secure
    assert desk.door.url.startswith("http://127.0.0.1:")
    assert desk.get("/api/phone") is None
    assert desk.call("GET", "/desk.crt")[0] == 404


def test_listening_beyond_this_computer_is_encrypted_always():
    for address, is_secure in (("127.0.0.1", False), ("0.0.0.0", True)):
        door, listener = open_door(address, 0)
        listener.close()
        assert door.is_secure == is_secure
    assert outward_address("192.168.1.20") == "192.168.1.20"


@pytest.mark.usefixtures("home")
def test_the_terminal_shows_code_steps_and_fingerprint(tmp_path, monkeypatch):
    (tmp_path / "inspection.toml").write_text(PLAN, encoding="utf-8")
    monkeypatch.setattr(serving, "serve", lambda *given: given[2].close())
    monkeypatch.setattr(serving, "outward_address", lambda _: "192.168.1.20")
    result = CliRunner().invoke(main, ["desk", str(tmp_path), "--listen", "0.0.0.0", "--no-browser"])
    assert result.exit_code == 0, result.output
    assert identity_for("192.168.1.20").fingerprint in result.output
    assert "The desk is open at https://192.168.1.20:" in result.output
    assert "█" in result.output
    assert "5. On the page choose Collect, then Start, and allow the microphone." in result.output
