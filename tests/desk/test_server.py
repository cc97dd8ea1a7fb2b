import errno
import html
import os
import socket
import threading
import time

import numpy as np
import pytest
import soundfile

from tapscan.desk.views.documents import palette_css, zone_document
from tapscan.desk.web import routes as server
from tapscan.desk.web.serving import open_door
from tapscan.errors import TapscanError
from tests.report.fabricated import panel, tapped


def test_the_plan_is_reported_with_what_was_read(demo_desk):
    plan = demo_desk.get("/api/plan")
    boom, pan, lug = plan["zones"]
    assert (boom["code"], boom["methods"], boom["stations"]) == ("BM", ["tap"], 16)
    assert len(boom["read"]["tap"]) == 190
    assert boom["skip"] == [15 * 12 + 6]
    assert pan["methods"] == lug["methods"] == ["ascan"]
    assert plan["notes"] == {}


def test_the_map_is_the_analysis(demo_desk):
    result = demo_desk.get("/api/zones/BM/tap")
    screened = demo_desk.bench.screened("BM", "tap")
    words = demo_desk.get("/api/plan")["statuses"]
    assert [words[i] for i in result["status"]] == screened.status.ravel().tolist()
    assert [one["id"] for one in result["indications"]] == ["BM-T1", "BM-T2"]
    steps = np.array(result["layers"][0]["steps"])
    score = np.nan_to_num(screened.score.ravel(), nan=-1)
    order = np.argsort(score)
    assert (np.diff(steps[order]) >= 0).all()


def test_every_document_of_the_demo_answers(demo_desk):
    for path in (
        *("results", "papers", "zones/SP/ascan", "points/BM-04-01/tap", "points/sp-4-4/ascan"),
        *("decays/BM-04-01", "sections/SP-04-04/station", "slices/SP?depth_mm=0.8"),
    ):
        assert demo_desk.get(f"/api/{path}")
    status, headers, content = demo_desk.call("GET", "/sounds/BM-04-01")
    assert (status, headers["Content-Type"], content[:4]) == (200, "audio/wav", b"RIFF")


@pytest.mark.parametrize(
    ("path", "match"),
    [
        ("/api/zones/XX/tap", "zone XX"),
        ("/api/zones/BM/ascan", "zone BM: was not inspected by ascan"),
        ("/api/points/BM-99-01/tap", "is not a point of zone BM"),
        ("/api/points/nonsense/tap", "is not the name of a point"),
        ("/api/slices/SP?depth_mm=nan", "is no depth"),
        ("/api/slices/SP?depth_mm=-1", "is no depth"),
        ("/sounds/BM-16-07", "has no tap recording"),
    ],
)
def test_what_cannot_be_shown_is_reported_in_a_sentence(demo_desk, path, match):
    assert match in demo_desk.get(path, status=400)["fault"]


def test_papers_are_written_when_they_are_asked_for(desk):
    groups = desk.get("/api/papers")
    prints = [group["title"].removeprefix("Prints at 1:1: ") for group in groups]
    assert prints == ["zone CS", "zone PL", "scale for photos"]
    for name in ("wrap_CS_A4.pdf", "scale_squares_A4.pdf"):
        status, headers, content = desk.call("GET", f"/papers/{name}")
        assert (status, headers["Content-Type"], content[:5]) == (200, "application/pdf", b"%PDF-")
    assert "there is no analysis yet" in desk.get("/papers/report.html", status=400)["fault"]


def test_an_analysis_that_was_asked_for_is_written_and_one_that_only_fills_the_page_is_not(desk):
    """The report of an analysis against another inspection must not go because somebody opened the page."""
    (desk.folder / "results").mkdir()
    (desk.folder / "results" / "report.html").write_text("against another", encoding="utf-8")
    assert desk.bench.start(writes=False)
    while desk.bench.progress.is_running:
        time.sleep(0.02)
    assert (desk.folder / "results" / "report.html").read_text(encoding="utf-8") == "against another"
    assert not desk.get("/api/state")["is_written"]
    assert desk.analyse()["is_written"]
    assert "</html>" in (desk.folder / "results" / "report.html").read_text(encoding="utf-8")
    assert (desk.folder / "results" / "summary.json").is_file()


def test_results_that_cannot_be_written_are_reported_and_the_map_is_there(desk, tmp_path):
    (tmp_path / "outside").mkdir()
    (desk.folder / "results").symlink_to(tmp_path / "outside")
    desk.post("/api/analyse", {})
    while (state := desk.get("/api/state"))["is_running"]:
        time.sleep(0.02)
    assert "is a link out of the inspection" in state["fault"]
    assert (state["analysis"], state["is_written"]) == (1, False)
    assert list((tmp_path / "outside").iterdir()) == []


def test_the_page_is_reported_what_the_report_says_beside_its_maps(demo_desk):
    """Every table cell of these parts is in the report, too."""
    for zone, method in (("BM", "tap"), ("SP", "ascan")):
        parts = demo_desk.get(f"/api/zones/{zone}/{method}")["parts"]
        titles = [part["title"] for part in parts]
        assert titles[-3:] == ["What was not inspected", "What could have been found", "Settings"]
        _, _, report = demo_desk.call("GET", "/papers/report.html")
        text = html.unescape(report.decode())
        for part in parts:
            assert part["lines"] or part["tables"]
            for cell in (cell for table in part["tables"] for row in table["rows"] for cell in row):
                for piece in cell.removeprefix("unread: ").split(", "):
                    assert piece in text or piece.capitalize() in text, (part["title"], piece)


def test_every_paper_of_the_demo_can_be_had(demo_desk):
    for group in demo_desk.get("/api/papers"):
        for paper in group["papers"]:
            status, _, content = demo_desk.call("GET", f"/papers/{paper['name']}")
            assert status == 200, paper
            assert len(content) > 100, paper


def test_results_that_lead_out_of_the_folder_are_neither_written_nor_read(desk, tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "wrap_CS_A4.pdf").write_bytes(b"secret")
    (desk.folder / "results").symlink_to(outside)
    assert "is a link out of the inspection" in desk.get("/papers/wrap_CS_A4.pdf", status=400)["fault"]


def test_changes_make_the_analysis_stale_and_another_one_current(desk, demo_desk):
    assert desk.get("/api/state")["analysis"] == 0
    assert desk.get("/api/results") is None
    assert desk.analyse()["analysis"] == 1
    plan = desk.folder / "inspection.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + "# later\n", encoding="utf-8")
    assert desk.get("/api/state")["is_stale"]
    state = desk.analyse()
    assert (state["analysis"], state["is_stale"]) == (2, False)
    assert not demo_desk.get("/api/state")["is_stale"]


def test_a_plan_that_broke_while_the_desk_was_open_is_reported(desk):
    (desk.folder / "inspection.toml").write_text("[[zone]", encoding="utf-8")
    assert "is not valid TOML" in desk.get("/api/plan", status=400)["fault"]
    desk.post("/api/analyse", {})
    for _ in range(100):
        state = desk.get("/api/state")
        if not state["is_running"]:
            break
        time.sleep(0.05)
    assert "is not valid TOML" in state["fault"]


def test_one_analysis_runs_at_a_time(desk, monkeypatch):
    gate = threading.Event()
    monkeypatch.setattr(type(desk.bench), "fingerprint", lambda _: str(gate.wait(10)))
    assert desk.bench.start(writes=False)
    assert not desk.bench.start(writes=False)
    gate.set()


CSV = b"time_us,amplitude\n" + b"".join(b"%.2f,%d\n" % (i * 0.01, i % 7) for i in range(50))


def test_a_dropped_trace_becomes_a_reading(desk):
    status, _, content = desk.call("POST", "/api/files?name=PL-1-2.csv", CSV)
    assert (status, b"ascans/PL-01-02.csv" in content) == (200, True)
    assert (desk.folder / "ascans/PL-01-02.csv").read_bytes() == CSV
    assert sorted(path.name for path in desk.folder.iterdir()) == ["ascans", "inspection.toml", "taps"]


@pytest.mark.parametrize(
    ("name", "body", "match"),
    [
        ("PL-01-02.csv", b"nonsense", "PL-01-02.csv"),
        ("PL-01-01.csv", CSV, "which the plan skips"),
        ("QQ-01-01.csv", CSV, "has no zone QQ"),
        ("..%2FPL-01-02.csv", CSV, "is not the name of a point"),
        ("%2Ftmp%2FPL-01-02.csv", CSV, "is not the name of a point"),
        (".hidden.csv", CSV, "is not the name of a point"),
        ("PL-01-02.exe", b"MZ", "is of no kind that is known here"),
        ("", CSV, "is not the name of a point"),
    ],
)
def test_a_dropped_file_that_is_no_reading_is_refused_and_leaves_nothing(desk, name, body, match):
    status, _, content = desk.call("POST", f"/api/files?name={name}", body)
    assert status == 400
    assert match in content.decode()
    assert "arriving" not in content.decode()
    assert not any((desk.folder / "ascans").iterdir())
    assert not [path for path in desk.folder.iterdir() if path.name.startswith(".")]


def test_a_dropped_file_is_bounded(desk, monkeypatch):
    monkeypatch.setattr(server, "MOST_FILE_BYTES", 100)
    status, _, content = desk.call("POST", "/api/files?name=PL-01-02.csv", CSV)
    assert (status, b"copy it with tapscan add" in content) == (400, True)
    assert not [path for path in desk.folder.iterdir() if path.name.startswith(".")]


def test_a_full_disk_is_reported_of_a_dropped_file(desk, monkeypatch):
    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(server, "TemporaryDirectory", full)
    status, _, content = desk.call("POST", "/api/files?name=PL-01-02.csv", CSV)
    assert (status, b"cannot be written: No space left on device" in content) == (400, True)


def test_a_page_that_leaves_in_the_middle_of_a_file_leaves_nothing(desk):
    host = desk.origin.removeprefix("http://")
    with socket.create_connection(("127.0.0.1", desk.door.port), timeout=10) as line:
        head = f"POST /api/files?name=PL-01-02.csv HTTP/1.1\r\nHost: {host}\r\nOrigin: {desk.origin}\r\n"
        line.sendall(f"{head}Cookie: {desk.cookie}\r\nContent-Length: 1000\r\n\r\ntime_us".encode())
        time.sleep(0.2)
    for _ in range(100):
        if not [path for path in desk.folder.iterdir() if path.name.startswith(".")]:
            break
        time.sleep(0.05)
    assert sorted(path.name for path in desk.folder.iterdir()) == ["ascans", "inspection.toml", "taps"]
    assert not any((desk.folder / "ascans").iterdir())


def test_what_a_killed_desk_left_half_taken_in_goes_after_a_day(folder):
    old, new = folder / ".arriving-old", folder / ".arriving-new"
    for nook in (old, new):
        nook.mkdir()
        (nook / "BM.npy").write_bytes(b"half")
    os.utime(old, (0, 0))
    server.clear_arrivals(folder)
    assert not old.exists()
    assert (new / "BM.npy").exists()


def test_a_zone_too_large_for_a_page_points_to_the_report(monkeypatch):
    monkeypatch.setattr("tapscan.desk.views.documents.MOST_POINTS_DRAWN", 100_000)
    with pytest.raises(TapscanError, match="more than the page can draw"):
        zone_document(tapped(panel(stations=400, positions=400), spots=()))


def test_the_points_of_such_a_zone_are_not_even_listed(desk):
    path = desk.folder / "inspection.toml"
    plan = path.read_text(encoding="utf-8")
    path.write_text(plan.replace("stations = 3", "stations = 30000"), encoding="utf-8")
    for name in ("CS-01-01", "PL-02-01"):
        soundfile.write(desk.folder / f"taps/{name}.wav", np.zeros(4800), 48_000)
    small, large = desk.get("/api/plan")["zones"]
    assert small["read"]["tap"] == [0]
    assert large["read"]["tap"] == []


def test_the_palette_is_that_of_the_report_in_light_and_dark():
    css = palette_css()
    assert "--ink: #1d2731;" in css
    assert "prefers-color-scheme: dark" in css
    assert ".score-23 { fill: var(--score-23); }" in css


def test_a_port_that_is_taken_is_reported_and_the_usual_one_gives_way():
    door, listener = open_door("127.0.0.1", 0)
    with listener:
        with pytest.raises(TapscanError, match=f"127.0.0.1 port {door.port}: cannot be listened on"):
            open_door("127.0.0.1", door.port)
        first, one = open_door("127.0.0.1", None)
        with one:
            second, another = open_door("127.0.0.1", None)
            another.close()
        assert first.port != second.port
        assert first.token != second.token
    with pytest.raises(TapscanError, match="is not an address of this computer in numbers"):
        open_door("part.example", None)
