"""The setup checked on the page: the known piece tapped through the socket, judged, kept and shown."""

import json
import shutil
import time
from io import BytesIO

import numpy as np
import pytest

from tapscan.desk.bench import Bench
from tapscan.desk.setups import begin_check
from tapscan.errors import TapscanError
from tapscan.proving.keeping import part_checks
from tapscan.records import open_inspection
from tapscan.records.readers import read_recording
from tapscan.synth.folder import write_inspection
from tapscan.synth.piece import EARLIER, check_files
from tests.desk.conftest import DEMO, Desk
from tests.desk.test_collecting import collecting, wait_until_free

RATE_HZ = 24_000


@pytest.fixture(scope="module")
def taken(tmp_path_factory):
    """The taps of one check of the demo's known piece, as they are walked, with its room between points."""
    folder = tmp_path_factory.mktemp("taken")
    write_inspection(folder, check_files(EARLIER))
    files = sorted(open_inspection(folder).tap_files.items())
    sounds = [read_recording(path).samples for _, paths in files for path in paths]
    room = np.random.default_rng(1).normal(0, sounds[0][: RATE_HZ // 25].std(), RATE_HZ // 2)
    return [part for sound in sounds for part in (room, sound)] + [room]


@pytest.fixture
def desk(tmp_path):
    """A desk on the demo's part without its checks, and the demo's known piece with its history."""
    part, piece = tmp_path / "part", tmp_path / "piece"
    part.mkdir()
    shutil.copy(DEMO / "inspection.toml", part)
    shutil.copytree(DEMO / "photos", part / "photos")  # one of its zones is on a photo
    shutil.copytree(DEMO / "known-piece", piece)
    for path in (piece / "history").glob("2026-02-08*"):
        path.unlink()
    desk = Desk(part)
    desk.bench.piece = piece
    yield desk
    desk.stop()


def checked(desk, sounds, **said):
    """Tap the whole piece; give what the page shows once the check is judged."""
    known = {"operator": "Ann", "is_anew": False, **said}
    with collecting(desk, zones=["KP"], sample_rate_hz=RATE_HZ, known_piece=known) as page:
        begun = page.events[0]
        assert begun["event"] == "check"
        for sound in sounds:
            page.play(np.asarray(sound, dtype="<f4"))
        page.until("zone complete")
    for _ in range(600):
        document = desk.get("/api/setup")
        if any(one["time"] == begun["time"] for one in document["checks"]):
            return document
        assert document["unjudged"] == {}
        time.sleep(0.1)
    pytest.fail("the check was not judged in a minute")


def test_a_check_on_the_page_is_that_of_the_command(desk, taken):
    document = checked(desk, taken)
    (check,) = document["checks"]
    assert (check["outcome"], check["operator"]) == ("ready", "Ann")
    (method,) = check["methods"]
    assert method["because"] == []
    assert ["sampling rate", "24,000 Hz", "24,000 Hz", "ok"] in method["rows"]
    assert method["found"] == ["On your piece, 28 mm at 0.4 mm depth was found by 10 of 10 taps."]
    status, headers, content = desk.call("GET", method["chart"])
    assert (status, headers["content-type"], content[:4]) == (200, "image/png", b"\x89PNG")
    (kept,) = part_checks(desk.folder, [])
    assert kept.about.time == check["time"]
    assert len(list((desk.bench.piece / "history").glob("*.json"))) == EARLIER + 1
    assert document["piece"]["zones"][0]["code"] == "KP"


def test_a_quieter_recorder_is_not_ready_and_a_new_history_is_begun_when_asked(desk, taken):
    (check,) = checked(desk, [sound * 0.25 for sound in taken])["checks"]
    assert check["outcome"] == "not ready"
    assert "quieter than in the earlier checks (-1" in check["methods"][0]["because"][0]
    wait_until_free(desk)
    time.sleep(1.1)  # checks are named by the second
    latest, _ = checked(desk, [sound * 0.25 for sound in taken], is_anew=True)["checks"]
    assert latest["outcome"] == "cannot say"
    assert latest["methods"][0]["chart"] == ""


def test_a_check_without_a_tap_leaves_nothing(desk):
    known = {"operator": "", "is_anew": False}
    with collecting(desk, zones=["KP"], sample_rate_hz=RATE_HZ, known_piece=known) as page:
        begun = page.events[0]["time"]
        page.until("standing")
    for _ in range(100):
        document = desk.get("/api/setup")
        if document["unjudged"]:
            break
        time.sleep(0.05)
    assert document["unjudged"] == {begun: "Nothing was taken: the check was left out."}
    assert document["checks"] == []
    assert list((desk.folder / "setup").iterdir()) == []


@pytest.mark.parametrize("said", ["Ann", {"operator": "Ann"}, {"operator": 3, "is_anew": False}, []])
def test_what_is_no_check_is_refused(desk, said):
    with collecting(desk, zones=["KP"], sample_rate_hz=RATE_HZ, known_piece=said) as page:
        assert page.events[0]["event"] == "fault"
        assert "sent what the desk does not understand" in page.events[0]["sentence"]
    assert not (desk.folder / "setup").exists()


def test_a_desk_without_a_known_piece_says_how_to_get_one(tmp_path):
    part = tmp_path / "part"
    part.mkdir()
    shutil.copy(DEMO / "inspection.toml", part)
    with pytest.raises(TapscanError, match=r"started without a known piece.*tapscan desk part --piece PIECE"):
        begin_check(Bench(part), "", is_anew=False)


@pytest.mark.parametrize(
    "path", ["/setup/2026-02-08T16:00:00Z/tap.png", "/setup/../../inspection.toml/tap.png", "/setup/x/y.png"]
)
def test_a_chart_that_is_not_there_is_not_found(desk, path):
    assert desk.call("GET", path)[0] == 404


def from_files(desk, files, operator="Ann", history="kept"):
    """Send files as the page does, and give what was refused and what the page shows then."""
    begun = desk.post("/api/setup/begin", {"operator": operator, "history": history})
    refused = []
    for name, content in files.items():
        status, _, answer = desk.call("POST", f"/api/files?name={name}&check={begun['time']}", content)
        if status != 200:
            refused.append(json.loads(answer)["fault"])
    desk.post("/api/setup/end", begun)
    return refused, desk.get("/api/setup"), begun["time"]


def test_a_volume_of_the_piece_is_a_check_as_that_of_the_command(desk):
    content = check_files(EARLIER)["ascans/KP.npy"]
    refused, document, _ = from_files(desk, {"KP.npy": content})
    assert refused == []
    (check,) = document["checks"]
    assert (check["outcome"], check["operator"]) == ("ready", "Ann")
    (method,) = check["methods"]
    assert method["name"] == "A-scans"
    rows = {row[0]: row[3] for row in method["rows"]}
    assert rows["velocity"] == rows["time base, as before"] == "ok"
    (kept,) = part_checks(desk.folder, [])
    assert kept.of("ascan").outcome == "ready"
    assert not (desk.folder / "ascans").exists()  # the part's own readings are left alone


def test_a_weaker_probe_in_files_is_not_ready(desk):
    volume = np.load(BytesIO(check_files(EARLIER)["ascans/KP.npy"])) * 0.25
    stream = BytesIO()
    np.save(stream, volume.astype(np.float32))
    _, document, _ = from_files(desk, {"KP.npy": stream.getvalue()})
    (check,) = document["checks"]
    assert check["outcome"] == "not ready"
    assert any("the gain is lower" in one for one in check["methods"][0]["because"])


def test_files_that_are_none_of_the_piece_are_refused_and_leave_nothing(desk):
    refused, document, time = from_files(desk, {"BM-01-01.wav": b"RIFF", "KP.npy": b"no volume"})
    assert len(refused) == 2
    assert document["unjudged"] == {time: "Nothing was taken: the check was left out."}
    assert list((desk.folder / "setup").iterdir()) == []
    status, _, answer = desk.call("POST", f"/api/files?name=KP.npy&check={time}", b"late")
    assert status == 400
    assert "was not begun on this desk, or is over" in json.loads(answer)["fault"]
