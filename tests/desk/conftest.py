"""A real desk on a free port, for tests that talk to it as a browser would."""

import http.client
import json
import shutil
import socket
import threading
import time
from pathlib import Path

import pytest
import uvicorn

from tapscan.desk.bench import Bench
from tapscan.desk.web.guard import Door
from tapscan.desk.web.routes import desk_app
from tests.desk.patch import FLAGS

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"


@pytest.fixture(scope="module")
def browser():
    """Debian's Chromium, once a file."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="the playwright package drives the browser")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Debian's chromium is not installed")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
        yield running
        running.close()


class Desk:
    """One running desk, and a caller that says what a browser on its page would say."""

    def __init__(self, folder: Path) -> None:
        listener = socket.create_server(("127.0.0.1", 0))
        self.folder = folder
        self.bench = Bench(folder)
        self.door = Door("127.0.0.1", listener.getsockname()[1], "the-token")
        config = uvicorn.Config(
            desk_app(self.bench, self.door),
            ws="websockets-sansio",
            ws_max_size=1 << 20,
            lifespan="off",
            timeout_graceful_shutdown=5,  # a page that a failed test left open is not waited for
            log_level="warning",
        )
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, args=([listener],))
        self.thread.start()

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.door.port}"

    @property
    def cookie(self) -> str:
        return f"{self.door.cookie}={self.door.token}"

    def call(self, method, path, body=None, **headers):
        """Return (status, headers, bytes). A header given as None is left out."""
        own = {"Host": f"127.0.0.1:{self.door.port}", "Cookie": self.cookie}
        if method == "POST":
            own["Origin"] = self.origin
        own.update({name.replace("_", "-"): value for name, value in headers.items()})
        connection = http.client.HTTPConnection("127.0.0.1", self.door.port, timeout=30)
        try:
            connection.putrequest(method, path, skip_host=True)
            for name, value in own.items():
                if value is not None:
                    connection.putheader(name, value)
            if body is not None and "Content-Length" not in own:
                connection.putheader("Content-Length", str(len(body)))
            connection.endheaders(body)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read()
        finally:
            connection.close()

    def get(self, path, status=200):
        got, _, content = self.call("GET", path)
        assert got == status, content
        return json.loads(content)

    def post(self, path, document, status=200):
        got, _, content = self.call("POST", path, json.dumps(document).encode())
        assert got == status, content
        return json.loads(content)

    def analyse(self):
        self.post("/api/analyse", {})
        for _ in range(600):
            state = self.get("/api/state")
            if not state["is_running"]:
                assert state["fault"] == ""
                return state
            time.sleep(0.1)
        pytest.fail("the analysis did not end in a minute")

    def stop(self) -> None:
        self.server.should_exit = True
        # A page that was closed may have asked for a report: nothing can stop the thread that draws it.
        self.thread.join(timeout=120)
        assert not self.thread.is_alive()


@pytest.fixture(scope="session")
def demo_desk(tmp_path_factory):
    """A desk on a copy of the demo, analysed; tests that share it change nothing."""
    folder = tmp_path_factory.mktemp("desk") / "demo"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("results"))
    desk = Desk(folder)
    desk.analyse()
    yield desk
    desk.stop()


PLAN = """\
# The owner's words.
[part]
name = "Left <b>chain</b> stay"

[[zone]]
code = "CS"                 # chain stay
shape = "tube"
stations = 4
positions = 6
station_pitch_mm = 10.0
girth_mm = 60.0             # by tape
reference = ["01-01"]       # heard with two people

[[zone]]
code = "PL"
shape = "panel"
stations = 3
positions = 4
station_pitch_mm = 10.0
position_pitch_mm = 10.0
skip = [
    "01-01",                # a label
]

[tap]
taps_per_point = 1
"""


@pytest.fixture
def folder(tmp_path):
    root = tmp_path / "my-part"
    for name in ("taps", "ascans"):
        (root / name).mkdir(parents=True)
    (root / "inspection.toml").write_text(PLAN, encoding="utf-8")
    return root


@pytest.fixture
def desk(folder):
    running = Desk(folder)
    yield running
    running.stop()
