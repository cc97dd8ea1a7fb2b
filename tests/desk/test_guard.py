import socket

import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from tapscan.desk.web.guard import MOST_BODY_BYTES, Door


def test_the_token_in_the_address_becomes_a_cookie_that_other_sites_cannot_send(demo_desk):
    status, headers, _ = demo_desk.call("GET", "/?token=the-token", Cookie=None)
    assert status == 303
    assert headers["Location"] == "/"
    assert "HttpOnly" in headers["Set-Cookie"]
    assert "SameSite=strict" in headers["Set-Cookie"]


@pytest.mark.parametrize("cookie", [None, "tapscan-desk-1=the-token", "{name}=another", "{name}="])
@pytest.mark.parametrize(
    "path", ["/", "/api/plan", "/page/main.js", "/sounds/BM-01-01", "/papers/report.html"]
)
def test_nothing_is_reported_without_the_token(demo_desk, path, cookie):
    cookie = cookie and cookie.format(name=demo_desk.door.cookie)
    status, _, content = demo_desk.call("GET", path, Cookie=cookie)
    assert status == 403
    assert b"needs its token" in content


def test_a_wrong_token_opens_nothing(demo_desk):
    status, headers, content = demo_desk.call("GET", "/?token=guess", Cookie=None)
    assert (status, headers["Set-Cookie"]) == (403, None)
    assert b"printed last" in content


@pytest.mark.parametrize(
    "host", ["part.example", "127.0.0.1:1", "127.0.0.1.example:{port}", "", "10.0.0.1:{port}"]
)
def test_a_name_that_was_made_to_point_here_is_not_answered(demo_desk, host):
    host = host.format(port=demo_desk.door.port)
    for path in ("/", "/?token=the-token"):
        status, headers, content = demo_desk.call("GET", path, Host=host)
        assert (status, headers["Set-Cookie"]) == (403, None)
        assert b"its own page alone" in content


@pytest.mark.parametrize(
    "origin", [None, "null", "http://part.example", "https://{own}", "http://127.0.0.1:1"]
)
def test_another_page_cannot_make_the_desk_do_anything(demo_desk, origin):
    origin = origin and origin.format(own=f"127.0.0.1:{demo_desk.door.port}")
    for path in ("/api/analyse", "/api/marks", "/api/notes", "/api/files?name=BM-01-01.csv"):
        status, _, content = demo_desk.call("POST", path, b"{}", Origin=origin)
        assert status == 403
        assert b"its own page alone" in content


def test_what_another_page_asks_for_with_its_origin_is_not_answered(demo_desk):
    assert demo_desk.call("GET", "/api/plan", Origin="http://part.example")[0] == 403
    assert demo_desk.call("GET", "/api/plan", Origin=demo_desk.origin)[0] == 200


@pytest.mark.parametrize(
    ("origin", "cookie"),
    [("http://part.example", True), (None, True), ("own", False)],
    ids=["foreign page", "no page", "no token"],
)
def test_the_socket_is_guarded_like_the_rest(demo_desk, origin, cookie):
    origin = demo_desk.origin if origin == "own" else origin
    headers = {"Cookie": demo_desk.cookie} if cookie else {}
    address = f"ws://127.0.0.1:{demo_desk.door.port}/capture"
    with pytest.raises((InvalidStatus, ConnectionClosed), match="403"):
        connect(address, origin=origin, additional_headers=headers).__enter__()
    assert not demo_desk.bench.collecting.locked()


def test_a_body_that_claims_too_much_or_sends_too_much_is_refused(demo_desk):
    status, _, content = demo_desk.call("POST", "/api/marks", b"{}", Content_Length=str(MOST_BODY_BYTES + 1))
    assert (status, content) == (413, b"That is more than the desk takes in one message.")
    with socket.create_connection(("127.0.0.1", demo_desk.door.port), timeout=10) as line:
        host = demo_desk.origin.removeprefix("http://")
        head = f"POST /api/marks HTTP/1.1\r\nHost: {host}\r\nOrigin: {demo_desk.origin}\r\n"
        line.sendall(f"{head}Cookie: {demo_desk.cookie}\r\nTransfer-Encoding: chunked\r\n\r\n".encode())
        for _ in range(MOST_BODY_BYTES // 64_000 + 1):
            line.sendall(b"fa00\r\n" + b" " * 64_000 + b"\r\n")
        assert line.recv(100).startswith(b"HTTP/1.1 413")


@pytest.mark.parametrize(
    "path",
    [
        "/page/../server.py",
        "/page/%2e%2e%2fserver.py",
        "/page/..%5cserver.py",
        "/page/__init__.py",
        "/page/",
        "/papers/..%2finspection.toml",
        "/papers/%2e%2e/inspection.toml",
        "/papers/inspection.toml",
        "/papers/%2fetc%2fpasswd",
        "/papers/wrap_QQ_A4.pdf",
        "/etc/passwd",
    ],
)
def test_no_path_leads_out_of_the_page_and_the_papers(demo_desk, path):
    assert demo_desk.call("GET", path)[0] == 404


def test_every_answer_carries_the_strict_headers(demo_desk):
    for path in ("/", "/page/main.js", "/palette.css", "/api/plan", "/nowhere", "/sounds/BM-01-01"):
        _, headers, _ = demo_desk.call("GET", path)
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert "unsafe" not in headers["Content-Security-Policy"]
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Cache-Control"] == "no-store"


def test_what_runs_in_a_paper_cannot_reach_the_desk(demo_desk):
    _, headers, content = demo_desk.call("GET", "/papers/report.html")
    assert b"In short" in content
    assert "sandbox" in headers["Content-Security-Policy"]
    assert "script-src" not in headers["Content-Security-Policy"]
    assert (demo_desk.folder / "results/report.html").is_file()


def test_a_desk_for_the_whole_network_still_answers_to_numbers_alone():
    door = Door("0.0.0.0", 8327, "secret")
    assert door.is_own_host("192.168.1.20:8327")
    assert not door.is_own_host("part.example:8327")
    assert door.url == "http://127.0.0.1:8327/?token=secret"
    assert Door("::1", 8327, "secret").url == "http://[::1]:8327/?token=secret"
    assert Door("::", 8327, "secret").is_own_host("[fe80::1]:8327")
