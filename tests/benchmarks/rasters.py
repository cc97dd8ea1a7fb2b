"""The page with zones of many points: time to the first picture, and frames a second while it moves.

``python -m tests.benchmarks.rasters`` drives Debian's Chromium without a graphics card. The first picture is
counted from the moment the address is opened, the page's own files included; the analysis is through by then.
"""

import argparse
import shutil
import socket
import threading
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import uvicorn
from playwright.sync_api import sync_playwright

from tapscan.desk.guard import Door
from tapscan.desk.server import desk_app
from tests.desk.scanned import scanned_bench
from tests.desk.test_page import FLAGS

SIZES = ((400, 300), (1000, 1000))
MOVING_S = 3.0
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


def measure(stations: int, positions: int, shots: Path | None) -> tuple[float, float, float]:
    """Return seconds to the first picture, frames a second, and seconds from a line to its B-scan."""
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


def _driven(url: str, name: str, shots: Path | None) -> tuple[float, float, float]:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        page = chromium.new_page(viewport={"width": 1280, "height": 800})
        start = time.perf_counter()
        page.goto(url)
        page.wait_for_selector("canvas.raster[data-drawn]", timeout=120_000)
        first_s = time.perf_counter() - start
        page.wait_for_timeout(500)
        rate = page.evaluate(MOVE, MOVING_S)
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
    return first_s, rate, line_s


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.rasters", description=__doc__)
    parser.add_argument("--shots", type=Path, help="write screenshots there")
    arguments = parser.parse_args()
    print("points        first picture, s (wanted: 2)   frames/s (wanted: 30)   line to B-scan, s")
    for stations, positions in SIZES:
        first_s, rate, line_s = measure(stations, positions, arguments.shots)
        print(f"{stations * positions:>9,}     {first_s:>10.2f}{'':>20}{rate:>10.0f}{'':>14}{line_s:>10.2f}")


if __name__ == "__main__":
    main()
