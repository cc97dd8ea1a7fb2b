"""The page with zones of many points: time to the first picture, and frames a second while it moves.

``python -m tests.benchmarks.rasters`` drives Debian's Chromium without a graphics card. The first picture is
counted from the moment the address is opened, the page's own files included; the analysis is through by then.
"""

import argparse
import os
import shutil
import socket
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import uvicorn
from playwright.sync_api import sync_playwright

from tapscan.desk.web.guard import Door
from tapscan.desk.web.routes import desk_app
from tests.desk.scanned import scanned_bench
from tests.desk.test_page import FLAGS

SIZES = ((400, 300), (1000, 1000))
MOVING_S = 3.0
# Frames a second of a page that draws nothing: what the machine grants at this moment.
BARE = """(seconds) => new Promise((done) => {
  const start = performance.now();
  let frames = 0;
  const count = () => {
    frames += 1;
    const now = performance.now();
    if (now - start > 1000 * seconds) done(frames / ((now - start) / 1000));
    else requestAnimationFrame(count);
  };
  requestAnimationFrame(count);
})"""
# Zoom in and out and pan without a pause, and count the frames that were drawn, in the page's own time.
MOVE = """(seconds) => new Promise((done) => {
  const canvas = document.querySelector("canvas.raster");
  const box = canvas.getBoundingClientRect();
  const [x, y] = [box.left + box.width / 2, box.top + box.height / 2];
  const before = Number(canvas.dataset.drawn);
  const start = performance.now();
  let step = 0;
  const move = () => {
    const now = performance.now();
    if (now - start > 1000 * seconds) {
      done((Number(canvas.dataset.drawn) - before) / ((now - start) / 1000));
      return;
    }
    step += 1;
    const deltaY = Math.sin(step / 20) > 0 ? -40 : 40;
    canvas.dispatchEvent(new WheelEvent("wheel", { deltaY, clientX: x, clientY: y, cancelable: true }));
    requestAnimationFrame(move);
  };
  requestAnimationFrame(move);
})"""


@dataclass(frozen=True, slots=True)
class Row:
    """One size: seconds on the clock and of the processor, each with what a page that does nothing takes."""

    first_s: float
    bare_s: float
    first_cpu_s: float
    rate: float
    bare: float
    frame_cpu_s: float
    line_s: float


def spent_s() -> float:
    """Seconds of the processor that this program and all that it started have used, as Linux counts them."""
    parents, used = {}, {}
    for place in Path("/proc").glob("[0-9]*"):
        try:
            fields = (place / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue  # ended meanwhile
        parents[int(place.name)] = int(fields[1])
        used[int(place.name)] = int(fields[11]) + int(fields[12])
    family = {os.getpid()}
    while more := {pid for pid, parent in parents.items() if parent in family} - family:
        family |= more
    return sum(used.get(pid, 0) for pid in family) / os.sysconf("SC_CLK_TCK")


def measure(stations: int, positions: int, shots: Path | None) -> Row:
    """Measure one size, and keep a screenshot in `shots`."""
    with TemporaryDirectory() as nook:
        bench = scanned_bench(Path(nook) / "panel", stations, positions)
        listener = socket.create_server(("127.0.0.1", 0))
        door = Door("127.0.0.1", listener.getsockname()[1], "token")
        config = uvicorn.Config(
            desk_app(bench, door), ws="websockets-sansio", lifespan="off", log_level="error"
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, args=([listener],))
        thread.start()
        try:
            return _driven(door.url, f"{stations}x{positions}", shots)
        finally:
            server.should_exit = True
            thread.join()


def _driven(url: str, name: str, shots: Path | None) -> Row:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        page = chromium.new_page(viewport={"width": 1280, "height": 800})
        page.goto(url)  # the token becomes a cookie
        page.wait_for_selector("canvas.raster[data-drawn]", timeout=120_000)
        start = time.perf_counter()
        page.goto(url.partition("?")[0] + "page/desk.css")
        bare_s = time.perf_counter() - start
        page.goto("about:blank")
        before_s, start = spent_s(), time.perf_counter()
        page.goto(url.partition("?")[0])
        page.wait_for_selector("canvas.raster[data-drawn]", timeout=120_000)
        first_s, first_cpu_s = time.perf_counter() - start, spent_s() - before_s
        page.wait_for_timeout(500)
        bare = page.evaluate(BARE, MOVING_S)
        before_s = spent_s()
        rate = page.evaluate(MOVE, MOVING_S)
        frame_cpu_s = (spent_s() - before_s) / max(rate * MOVING_S, 1)
        page.keyboard.press("0")
        page.get_by_role("button", name="B-scan line").click()
        box = page.locator("canvas.raster").bounding_box()
        middle = box["y"] + 0.45 * box["height"]
        page.mouse.move(box["x"] + 60, middle)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] - 20, middle, steps=5)
        start = time.perf_counter()
        page.mouse.up()
        page.wait_for_selector("svg.section", timeout=60_000)
        line_s = time.perf_counter() - start
        if shots is not None:
            shots.mkdir(parents=True, exist_ok=True)
            page.screenshot(path=shots / f"{name}.png")
        chromium.close()
    return Row(first_s, bare_s, first_cpu_s, rate, bare, frame_cpu_s, line_s)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.rasters", description=__doc__)
    parser.add_argument("--shots", type=Path, help="write screenshots there")
    arguments = parser.parse_args()
    print("points; first picture, s on the clock (one small file), s of the processor;")
    print("frames a second (of a page that draws nothing), ms of the processor for each; a line's B-scan, s")
    print("wanted: 2 s, 30 frames a second")
    for stations, positions in SIZES:
        row = measure(stations, positions, arguments.shots)
        print(
            f"{stations * positions:>9,}{row.first_s:>8.2f} ({row.bare_s:.2f}){row.first_cpu_s:>8.2f}"
            f"{row.rate:>8.0f} ({row.bare:.0f}){1000 * row.frame_cpu_s:>8.1f}{row.line_s:>8.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
