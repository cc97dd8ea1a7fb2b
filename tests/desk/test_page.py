"""The page in a real browser: a small zone captured from a microphone, analysed, looked at, marked, printed.

It needs Debian's ``chromium`` and the playwright package. Where ``TAPSCAN_AXE`` names the script of axe-core,
the page's accessibility is checked with it.
"""

import io
import json
import os
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from matplotlib import image

from tapscan.records.inspection import open_inspection
from tests.desk.patch import DEMO, FLAGS, pieces, served, walk_wav
from tests.desk.test_collecting import wait_until_free

sync_api = pytest.importorskip("playwright.sync_api", reason="the playwright package drives the browser")
CHROMIUM = shutil.which("chromium")
if CHROMIUM is None:
    pytest.skip("Debian's chromium is not installed", allow_module_level=True)

LONG_MS = 120_000  # a busy machine takes its time; every wait ends as soon as its state is there
PLAN = """\
# A corner of the boom.
[[zone]]
code = "PT"
name = "Patch"
shape = "panel"
stations = 7
positions = 7               # from the stone's side
station_pitch_mm = 10.0
position_pitch_mm = 10.0

[tap]
taps_per_point = 1          # one is enough here
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    root = tmp_path_factory.mktemp("page") / "patch"
    (root / "taps").mkdir(parents=True)
    (root / "inspection.toml").write_text(PLAN, encoding="utf-8")
    return root


@pytest.fixture(scope="module")
def address(folder):
    with served(folder) as address:
        yield address


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    wav = tmp_path_factory.mktemp("sound") / "walk.wav"
    sounds, rate_hz = pieces()
    walk_wav(wav, list(sounds.values()), rate_hz)
    with sync_api.sync_playwright() as playwright:
        flags = [*FLAGS, f"--use-file-for-fake-audio-capture={wav}"]
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield chromium
        chromium.close()


def is_complaint(message):
    """Whether the browser complains; a refusal that the page puts into words for its reader is none."""
    return message.type in {"error", "warning"} and "status of 400" not in message.text


@pytest.fixture
def page(browser, request):
    """A fresh page that may log no error and be refused nothing by its own policy."""
    size, scheme = getattr(request, "param", ((1280, 800), "light"))
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, accept_downloads=True
    )
    context.set_default_timeout(LONG_MS)
    fresh = context.new_page()
    complaints = []
    context.on("console", lambda m: complaints.append(m.text) if is_complaint(m) else None)
    context.on("weberror", lambda e: complaints.append(str(e.error)))
    # Nothing is fetched from anywhere but the desk: the page works without a network.
    own = ("http://127.0.0.1:", "ws://127.0.0.1:", "data:")
    context.on("request", lambda r: None if r.url.startswith(own) else complaints.append(r.url))
    yield fresh
    context.close()
    assert complaints == []


def analysed(page):
    page.locator('#state:text-matches("^Analysed")').wait_for()


def opened(page, address):
    """Open the desk of the demo, and wait for its map and the sheet of the strongest point."""
    page.goto(address)
    analysed(page)
    page.locator("#point-name", has_text="BM-03-01").wait_for()


# Whatever the words of the point's sheet change to is kept, between bars.
KEEPS_WORDS = """() => {
  const words = document.body.dataset;
  words.words = "|";
  const keep = (changes) => { for (const one of changes) words.words += `${one.target.textContent}|`; };
  new MutationObserver(keep).observe(document.querySelector("#look"), { subtree: true, childList: true });
}"""


def test_a_zone_is_captured_analysed_heard_marked_and_printed(page, address, folder):
    page.goto(address)
    assert "token" not in page.url
    page.locator("#collect .big", has_text="ready").wait_for()
    page.keyboard.press("Space")
    page.get_by_text("Zone PT is complete").wait_for()
    page.locator("#collect .big", has_text="all done").wait_for()
    page.locator("#collect .here", has_text="49 of 49 points complete").wait_for()
    page.get_by_role("button", name="Finish").click()
    # A tap is announced only after it was kept: all of them are in the folder by now.
    assert len(open_inspection(folder).tap_files) == 49
    facts = soundfile.info(folder / "taps/PT-01-01.wav")
    assert facts.subtype == "FLOAT"

    page.get_by_role("link", name="Map").click()
    page.get_by_role("button", name="Analyse").click()
    analysed(page)
    page.locator("#look .play").wait_for()
    page.locator("#look .map").focus()
    page.keyboard.press("i")
    page.locator(".verdict", has_text="suspect").wait_for()
    name = page.locator("#point-name").inner_text()
    # The delamination is at stations 2 to 5 of the boom, on the columns in the middle.
    assert name in {
        f"PT-{station:02d}-{position:02d}" for station in (2, 3, 4, 5) for position in (2, 3, 4, 5)
    }
    page.evaluate(KEEPS_WORDS)  # a point's name shows for a moment only
    page.keyboard.press("n")
    words = 'document.body.dataset.words.split("|").filter((one) => one.startsWith("Playing: "))'
    page.wait_for_function(f"() => new Set({words}).size > 1")  # the point, and a neighbour
    page.get_by_text("Every tap plays at the same peak level").wait_for()
    played = page.evaluate(words)
    assert played[0] == f"Playing: {name}"
    assert all(one.startswith("Playing: PT-") for one in played)

    set_marks_and_a_note(page, folder)
    page.get_by_role("button", name="Analyse").click()
    page.locator("#state", has_text="Analysed and saved").wait_for()
    assert "rings dull" in (folder / "results/report.html").read_text(encoding="utf-8")

    page.get_by_role("link", name="Reports").click()
    with page.expect_popup() as opened:
        # The link beside the map has the same name, and may be there for a moment yet.
        page.locator("#papers").get_by_role("link", name="Full report").click()
    report = opened.value
    report.get_by_role("heading", name="In short").wait_for()
    assert (folder / "results/report.html").is_file()


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"sampleRate": 44_100, "echoCancellation": False}, ""),
        ({}, ""),
        ({"echoCancellation": True, "noiseSuppression": True}, "(echo cancelling, noise suppression)"),
        ({"autoGainControl": True}, "(gain control)"),
        ({"voiceIsolation": True}, "(voice isolation)"),
        ({"sampleRate": 48_000}, "(resampled from 48000 to 44100 Hz)"),
    ],
)
def test_what_the_browser_does_to_the_sound_is_said(page, address, settings, words):
    page.goto(address)
    work = "settings => import('/page/microphone.js').then(module => module.alteration(settings, 44100))"
    sentence = page.evaluate(work, settings)
    assert words in sentence
    assert bool(words) == sentence.startswith("The browser changes the sound")


def test_the_microphone_is_heard_at_its_own_rate_and_unprocessed(page, address):
    page.goto(address)
    work = """async () => {
      const asked = [];
      const real = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
      navigator.mediaDevices.getUserMedia = async (wish) => { asked.push(wish.audio); return real(wish); };
      const { listenHere } = await import('/page/microphone.js');
      const events = [];
      const walk = { zones: ["PT"], there_and_back: false };
      const onevent = (event) => events.push(event);
      const line = await listenHere({ deviceId: "", walk, onevent, onend() {} });
      await new Promise((done) => setTimeout(done, 1500));
      line.end();
      const media = await real({ audio: asked[0] });
      const [track] = media.getAudioTracks();
      const rate = track.getSettings().sampleRate;
      track.stop();
      return { asked: asked[0], events: events.filter((event) => event.event !== "level"), rate };
    }"""
    result = page.evaluate(work)
    kinds = ("echoCancellation", "noiseSuppression", "autoGainControl", "voiceIsolation")
    assert not any(result["asked"][kind] for kind in kinds)
    assert "sampleRate" not in result["asked"]
    assert result["events"][0]["sample_rate_hz"] == result["rate"]


def set_marks_and_a_note(page, folder):
    page.locator("#look .map").click(position={"x": 70, "y": 60})
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("g")
    page.locator("#state", has_text="Changed since the analysis").wait_for()
    text = (folder / "inspection.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)["zone"][0]["reference"] == ["01-01:02-01"]
    assert text.startswith("# A corner of the boom.\n")
    assert "# from the stone's side" in text
    assert "# one is enough here" in text
    page.locator("#look .map").focus()
    page.keyboard.press("ArrowRight")
    page.get_by_label("Note at PT-03-01").fill("rings dull\nin the cold")
    page.get_by_role("button", name="Save note").click()
    page.locator(".map .sign.note").wait_for(state="attached")
    text = (folder / "inspection.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)["zone"][0]["notes"] == {"03-01": "rings dull\nin the cold"}
    assert "\n\n[tap]\ntaps_per_point = 1          # one is enough here" in text


AXE = os.environ.get("TAPSCAN_AXE", "")
LOOKS = [((1280, 800), "light"), ((1280, 800), "dark"), ((820, 1180), "dark"), ((390, 844), "light")]
LOOK_NAMES = ["desk light", "desk dark", "tablet dark", "phone light"]


@pytest.mark.skipif(not AXE, reason="TAPSCAN_AXE does not name the script of axe-core")
@pytest.mark.parametrize("page", LOOKS, ids=LOOK_NAMES, indirect=True)
def test_no_pane_has_a_fault_for_those_who_see_or_move_otherwise(page, demo_address):
    opened(page, demo_address)
    page.locator("#look .map").focus()
    page.keyboard.press("i")
    page.locator(".small caption", has_text="Natural frequencies").wait_for()
    faults = axe(page)
    page.locator("#look select").first.select_option("SP ascan")
    page.locator("#look .map").focus()
    page.keyboard.press("i")
    page.get_by_role("heading", name="B-scan along the positions").wait_for()
    page.locator("#look input[type=range]").fill("0.8")
    page.get_by_text("C-scan, 0.66 to 0.94 mm").wait_for()
    faults += axe(page)
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Keys").click()
    faults += axe(page)
    page.get_by_role("button", name="Close").click()
    panes = (("Plan", "plan"), ("Reports", "papers"), ("Findings", "cut"), ("Collect", "collect"))
    for name, pane in panes:
        page.get_by_role("link", name=name, exact=True).click()
        page.locator(f"#{pane}").wait_for()
        faults += axe(page)
    assert faults == []


# The right-hand edge of every word of the point's charts, beyond that of the chart it is in.
BEYOND = """() => [...document.querySelectorAll("#look svg.chart text")].map((text) => {
  const [word, chart] = [text, text.ownerSVGElement].map((one) => one.getBoundingClientRect());
  return [text.textContent, Math.max(word.right - chart.right, chart.left - word.left)];
})"""


@pytest.mark.parametrize("page", LOOKS, ids=LOOK_NAMES, indirect=True)
def test_words_of_charts_are_whole(page, demo_address):
    opened(page, demo_address)
    page.locator("#look select").first.select_option("SP ascan")
    page.locator("#look svg.chart .mark-text", has_text="back wall").wait_for(state="attached")
    words = page.evaluate(BEYOND)
    assert len(words) > 8
    assert [word for word, beyond in words if beyond > 0.5] == []


def axe(page):
    """All violations of the WCAG rules and of good practice, of any impact, each with its first place."""
    tool = page.context.new_cdp_session(page)  # the page's own policy lets no script be added
    script = Path(AXE).read_text(encoding="utf-8")
    tool.send("Runtime.evaluate", {"expression": script})
    found = tool.send(
        "Runtime.evaluate",
        {"expression": "axe.run().then(JSON.stringify)", "awaitPromise": True, "returnByValue": True},
    )
    answer = json.loads(found["result"]["value"])
    assert len(answer["passes"]) > 15  # it checked something
    return [
        f"{one['id']}: {one['nodes'][0]['html'][:120]}: {one['nodes'][0].get('failureSummary', '')}"
        for one in answer["violations"]
    ]


class Clicks:
    """Counts the presses on a page that was just opened."""

    def __init__(self, page, address):
        page.goto(address)  # after a note the map is that of the plan before, and the page says so
        page.locator("#point-name", has_text="BM-03-01").wait_for()
        self.page, self.count = page, 0
        page.locator("#look .play").wait_for()

    def on(self, role, name):
        self.count += 1
        self.page.locator("#look, #cut, dialog").get_by_role(role, name=name).click()


def test_what_is_often_done_takes_few_clicks_from_opening(page, tmp_path):
    """Map 0, hear a suspect beside its neighbour 1, mark 2, note 2, finding 3, short report 1."""
    shutil.copytree(DEMO, tmp_path / "demo", ignore=shutil.ignore_patterns("results", "findings.csv"))
    with served(tmp_path / "demo") as address:
        clicks = Clicks(page, address)
        page.locator("#look .verdict", has_text="suspect").wait_for()  # the map, at its strongest suspect
        assert clicks.count == 0
        clicks.on("button", "+ neighbour")
        page.locator("text=/Playing: BM-/").filter(has_not_text="BM-03-01").wait_for()
        assert clicks.count == 1
        clicks = Clicks(page, address)
        with page.expect_popup() as popup:  # it is drawn meanwhile
            clicks.on("link", "Short report")
        popup.value.get_by_role("heading").first.wait_for()
        assert clicks.count == 1
        clicks = Clicks(page, address)
        clicks.on("textbox", "Note at BM-03-01")
        page.keyboard.type("rings dull")
        clicks.on("button", "Save note")
        page.locator(".said", has_text="Note at BM-03-01 saved").wait_for()
        assert clicks.count == 2
        clicks = Clicks(page, address)
        clicks.on("button", "Log finding")
        clicks.on("radio", "wrinkle")  # a separation takes one more: was it there before the cut?
        clicks.on("button", "Save finding")
        page.locator(".answer", has_text="Saved: wrinkle at BM-03-01").wait_for()
        assert clicks.count == 3
        page.goto(address)  # without the pane that is in the address
        clicks = Clicks(page, address)
        clicks.on("button", "Known good")
        clicks.on("button", "Mark known good")
        page.locator(".said", has_text="now known good").wait_for()
        assert clicks.count == 2
        page.goto("about:blank")


@pytest.fixture(scope="module")
def demo_address(tmp_path_factory):
    root = tmp_path_factory.mktemp("page") / "demo"
    shutil.copytree(DEMO, root, ignore=shutil.ignore_patterns("results"))
    with served(root) as address:
        yield address


def test_the_round_part_turns_and_a_point_on_its_back_is_brought_to_the_front(page, demo_address):
    opened(page, demo_address)
    page.locator("#look .map").focus()
    page.keyboard.press("o")
    page.get_by_text("position 01 in front").wait_for()
    page.keyboard.press("]")
    page.get_by_text("position 02 in front").wait_for()
    page.keyboard.press("i")
    page.keyboard.press("i")
    second = page.evaluate(
        "async () => (await (await fetch('/api/zones/BM/tap')).json()).indications[1].peak"
    )
    assert second.startswith("BM-13-")
    page.locator("#point-name", has_text=second).wait_for()
    page.get_by_text(f"position {second[-2:]} in front").wait_for()
    assert page.locator(".outline").count() > 0


def test_unread_points_are_hatched_whichever_pane_was_open_before(page, demo_address):
    opened(page, demo_address)
    for pane in ("Collect", "Map"):
        page.get_by_role("link", name=pane, exact=True).click()
    page.locator("#look .cell.unread").first.wait_for()
    corner = page.evaluate(
        """() => {
          const path = document.querySelector("#look .cell.unread");
          const at = path.getPointAtLength(0).matrixTransform(path.getScreenCTM());
          return [at.x, at.y];
        }"""
    )
    inside = {"x": corner[0] + 4, "y": corner[1] + 4, "width": 16, "height": 16}
    picture = image.imread(io.BytesIO(page.screenshot(clip=inside)), format="png")
    assert np.ptp(picture[..., :3].mean(axis=-1)) > 0.2  # lines on paper, and not paper alone


def test_a_finding_is_logged_at_the_chosen_block_and_compared_with_the_map(page, tmp_path):
    shutil.copytree(DEMO, tmp_path / "demo", ignore=shutil.ignore_patterns("results", "findings.csv"))
    with served(tmp_path / "demo") as address:
        opened(page, address)
        page.locator("#look .map").focus()
        page.keyboard.press("Shift+ArrowRight")
        page.get_by_role("button", name="Log finding").click()
        page.locator(".cautions", has_text="fitted respirator").wait_for()
        assert page.get_by_label("Where", exact=True).input_value() == "BM-03-01:04-01"
        page.get_by_label("nothing there").check()
        page.get_by_role("button", name="Save finding").click()
        page.locator("#cut tbody th", has_text="nothing there").wait_for()
        page.get_by_role("radio", name="delamination").check()
        page.get_by_label("Where", exact=True).fill("BM-13-7")
        page.get_by_label("Depth, mm").fill("0,65")
        page.get_by_label("Depth, mm").press("Enter")
        page.get_by_role("button", name="It was there before").click()
        page.locator("#cut tbody td", has_text="depth 0.65 mm").wait_for()
        page.get_by_label("Where", exact=True).fill("BM-99-1")
        page.get_by_role("radio", name="delamination").check()
        page.get_by_role("button", name="Save finding").click()
        page.get_by_role("button", name="It was there before").click()
        page.locator("#wrong-where", has_text="BM-99").wait_for()
        page.locator(".answer.bad", has_text="Not saved: ").wait_for()
        with page.expect_popup() as popup:
            page.get_by_role("link", name="Findings compared with the map").click()
        popup.value.get_by_text("confirmed").first.wait_for()
        page.goto("about:blank")  # before the desk closes
    lines = (tmp_path / "demo/findings.csv").read_text(encoding="utf-8").splitlines()
    assert [line.split(",")[:2] for line in lines[1:]] == [
        ["none", "BM-03-01:04-01"],
        ["delamination", "BM-13-07"],
    ]


def test_a_chosen_file_is_taken_in_and_a_wrong_one_says_why(page, demo_address, tmp_path):
    good, bad = tmp_path / "BM-15-03.wav", tmp_path / "SP-01-01.csv"
    shutil.copy(DEMO / "taps/BM-15-02.wav", good)
    bad.write_text("time_us,amplitude\n0,1\n0.01,2\n0.02,1\n", encoding="utf-8")
    page.goto(f"{demo_address}#collect")
    page.locator("#collect input[type=file]").set_input_files([good, bad])
    page.get_by_text("✓ taps/BM-15-03.wav").wait_for()
    page.locator(".drop li.bad", has_text="✗ SP-01-01.csv: ").wait_for()
    page.locator("#state", has_text="Changed since the analysis").wait_for()


def test_words_of_the_plan_are_text_and_never_markup(page, tmp_path):
    root = tmp_path / "odd"
    (root / "taps").mkdir(parents=True)
    plan = PLAN.replace('name = "Patch"', "name = '<img src=x onerror=alert(1)>'")
    plan = plan.replace("\n[tap]", '\n[zone.notes]\n01-01 = "<script>alert(1)</script>"\n\n[tap]')
    (root / "inspection.toml").write_text(plan, encoding="utf-8")
    with served(root) as address:
        page.goto(address)
        page.locator("#collect option", has_text="<img src=x onerror=alert(1)> (PT)").wait_for(
            state="attached"
        )
        page.get_by_role("link", name="Map").click()
        page.locator("#look textarea").wait_for()
        assert page.locator("#look textarea").input_value() == "<script>alert(1)</script>"
        assert page.locator("main img, main script").count() == 0


def test_the_second_page_is_reported_that_the_first_is_collecting(page, desk):
    page.goto(f"{desk.origin}/?token={desk.door.token}")
    page.goto(f"{desk.origin}/#collect")
    page.get_by_role("button", name="Start").click()
    page.get_by_role("button", name="Pause").wait_for()
    second = page.context.new_page()
    second.goto(page.url)
    second.get_by_role("button", name="Start").click()
    second.get_by_role("alert").filter(has_text="another page is collecting already").wait_for()
    second.wait_for_timeout(3000)  # the page looks at the desk meanwhile, and still says it
    assert second.get_by_role("alert").is_visible()
    page.get_by_role("button", name="Finish").click()
    page.get_by_role("button", name="Start").wait_for()
    wait_until_free(desk)  # a busy one has the rest of the first page's sound to go through
    second.get_by_role("button", name="Start").click()
    second.get_by_role("button", name="Pause").wait_for()
    second.get_by_role("button", name="Finish").click()
    second.get_by_role("button", name="Start").wait_for()
