"""Debian's Firefox through WebDriver BiDi, the W3C's standard, which it speaks over a web socket."""

import json
import shutil
import subprocess
import time
from contextlib import contextmanager

from websockets.sync.client import connect

FIREFOX = shutil.which("firefox-esr")
START_S = 300  # a first start on a busy machine
PREFERENCES = {
    # The microphone is allowed without a question; nothing is fetched from anywhere.
    "media.navigator.permission.disabled": True,
    "media.autoplay.default": 0,
    "app.update.enabled": False,
    "browser.shell.checkDefaultBrowser": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "network.captive-portal-service.enabled": False,
    "network.connectivity-service.enabled": False,
    "services.settings.server": "data:,",
}
# WebDriver's code points of keys that have no character.
KEYS = {"Enter": "\ue007", "Tab": "\ue004", "ArrowRight": "\ue014", "Shift": "\ue008", "Control": "\ue009"}


class Tab:
    """One page in Firefox: scripts, keys and clicks as a person would send them."""

    def __init__(self, line):
        self.line, self.number = line, 0
        self.send("session.new", {"capabilities": {}})
        self.context = self.send("browsingContext.getTree", {})["contexts"][0]["context"]

    def send(self, method, params):
        self.number += 1
        self.line.send(json.dumps({"id": self.number, "method": method, "params": params}))
        while True:
            message = json.loads(self.line.recv(timeout=120))
            if message.get("id") == self.number:
                assert message["type"] == "success", message
                return message["result"]

    def open(self, address):
        params = {"context": self.context, "url": address, "wait": "complete"}
        self.send("browsingContext.navigate", params)

    def size(self, width, height):
        viewport = {"width": width, "height": height}
        self.send("browsingContext.setViewport", {"context": self.context, "viewport": viewport})

    def run(self, expression):
        """Evaluate a script's expression; what it gives must be text, a number or a truth value."""
        params = {"expression": expression, "target": {"context": self.context}, "awaitPromise": True}
        result = self.send("script.evaluate", params)
        assert result["type"] == "success", result
        return result["result"].get("value")

    def until(self, expression, seconds=60):
        end = time.monotonic() + seconds
        while not self.run(expression):
            assert time.monotonic() < end, (expression, self.run("document.body.innerText"))
            time.sleep(0.2)

    def press(self, *keys):
        """Press keys one after the other; ``"Shift+ArrowRight"`` holds the first."""
        actions = []
        for key in keys:
            names = [KEYS.get(one, one) for one in (key.split("+") if len(key) > 1 else [key])]
            actions += [{"type": "keyDown", "value": name} for name in names]
            actions += [{"type": "keyUp", "value": name} for name in reversed(names)]
        self._act({"type": "key", "id": "keys", "actions": actions})

    def type(self, text):
        self.press(*text)

    def click(self, selector, text=""):
        """Click the middle of the first element of a selector that shows this text."""
        find = (
            f"[...document.querySelectorAll({json.dumps(selector)})]"
            f".find((one) => one.checkVisibility() && one.textContent.includes({json.dumps(text)}))"
        )
        self.until(f"Boolean({find})")
        place = f"(() => {{ const one = {find}; one.scrollIntoView({{ block: 'center' }});"
        place += " const box = one.getBoundingClientRect();"
        place += " return `${box.x + box.width / 2} ${box.y + box.height / 2}`; })()"
        self.click_at(*map(float, self.run(place).split()))

    def click_at(self, x, y):
        """Click a place of the window."""
        x, y = round(x), round(y)
        moves = [{"type": "pointerMove", "x": x, "y": y}, {"type": "pointerDown", "button": 0}]
        self._act({"type": "pointer", "id": "mouse", "actions": [*moves, {"type": "pointerUp", "button": 0}]})

    def _act(self, source):
        self.send("input.performActions", {"context": self.context, "actions": [source]})


@contextmanager
def opened(profile, environment=None):
    """Start Firefox without a window on a profile of its own; give its first tab."""
    profile.mkdir()
    lines = [f"user_pref({json.dumps(key)}, {json.dumps(value)});" for key, value in PREFERENCES.items()]
    (profile / "user.js").write_text("\n".join(lines), encoding="utf-8")
    command = [
        FIREFOX,
        "--headless",
        "--no-remote",
        "--profile",
        str(profile),
        "--remote-debugging-port",
        "0",
    ]
    log = (profile / "log").open("w+", encoding="utf-8")
    with log, subprocess.Popen(command, stdout=log, stderr=log, env=environment) as process:
        try:
            with connect(f"{_address(profile / 'log')}/session", max_size=1 << 24) as line:
                yield Tab(line)
        finally:
            process.terminate()
            try:
                process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                process.kill()


def _address(log):
    end = time.monotonic() + START_S
    while time.monotonic() < end:
        for text in log.read_text(encoding="utf-8").splitlines():
            if "ws://" in text:
                return text[text.index("ws://") :].strip()
        time.sleep(0.2)
    msg = f"Firefox does not answer: {log.read_text(encoding='utf-8')}"
    raise AssertionError(msg)
