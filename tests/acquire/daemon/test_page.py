"""The page in a real browser, driven over the DevTools protocol.

Chromium may be absent; then these tests are skipped and say so, and what the server sends is still
looked at without it. ``FLOORSHOT_SCREENSHOTS=FOLDER`` keeps the pictures for a person to look at.
"""

from __future__ import annotations

import base64
import contextlib
import itertools
import json
import os
import re
import select
import shutil
import subprocess
import time
from pathlib import Path

import pytest

from acquire.daemon.api import PAGE
from acquire.daemon.config import DaemonConfig, Http
from acquire.daemon.folder import StateFolder
from acquire.daemon.server import ApiServer

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PATIENCE = 40.0
CAUTION = "Isolate and prove dead before you touch the conductor."

RECORD = {
    "shot": "03_target_damped_choke",
    "repeat": 7,
    "repeats": 20,
    "peaks": {"lead_current": 0.0123},
    "floor_margin_db": {"lead_current": 14.25},
    "seconds_left": 61.0,
}

needs_chromium = pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on this machine; 'apt-get install chromium' brings one"
)


class Tab:
    """One tab; commands and answers are JSON with a NUL behind, on two pipes."""

    def __init__(self, profile):
        to_browser, self._write = os.pipe()
        self._read, from_browser = os.pipe()
        ends = (to_browser, from_browser)
        # the protocol is on descriptors 3 and 4 of the browser
        command = 'exec 3<&"$0" 4>&"$1"; shift; exec "$@"'
        self._process = subprocess.Popen(
            ["/bin/bash", "-c", command, *map(str, ends), CHROMIUM, "--headless=new",
             "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
             "--disable-background-networking", f"--user-data-dir={profile}",
             "--remote-debugging-pipe", "about:blank"],
            pass_fds=ends, stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        for end in ends:
            os.close(end)
        self._numbers, self._pending, self.complaints = itertools.count(1), b"", []
        self._session = None
        target = self.do("Target.createTarget", url="about:blank")["targetId"]
        attached = self.do("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Accessibility"):
            self.do(f"{domain}.enable")

    def do(self, method, **parameters):
        number = next(self._numbers)
        message = {"id": number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        end = time.monotonic() + PATIENCE
        while True:
            answer = self._next(end)
            if answer.get("id") == number:
                assert "error" not in answer, answer
                return answer["result"]
            self._overheard(answer)

    def _next(self, end):
        while b"\0" not in self._pending:
            assert select.select([self._read], [], [], max(0, end - time.monotonic()))[0], "silent"
            data = os.read(self._read, 1 << 16)
            assert data, "the browser is gone"
            self._pending += data
        text, self._pending = self._pending.split(b"\0", 1)
        return json.loads(text)

    def _overheard(self, event):
        """Keep what the browser complains of: exceptions, refused scripts, failed loads."""
        if event.get("method") in ("Runtime.exceptionThrown", "Log.entryAdded"):
            self.complaints.append(event["params"])

    def evaluate(self, expression):
        found = self.do(
            "Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True
        )
        assert "exceptionDetails" not in found, found["exceptionDetails"]
        return found["result"].get("value")

    def wait(self, expression):
        end = time.monotonic() + PATIENCE
        while not (found := self.evaluate(expression)):
            assert time.monotonic() < end, f"{expression}: never came\n{self.text()}"
            time.sleep(0.05)
        return found

    def open(self, url, width=1400, height=900):
        self.do("Emulation.setDeviceMetricsOverride", width=width, height=height,
                deviceScaleFactor=1, mobile=width < 600)  # fmt: skip
        self.do("Page.navigate", url=url)
        self.wait("document.readyState === 'complete' && location.href !== 'about:blank'")

    def press(self, key, code=None, text=None):
        more = {"text": text} if text else {}
        for kind in ("keyDown", "keyUp"):
            self.do("Input.dispatchKeyEvent", type=kind, key=key, code=code or key, **more,
                    windowsVirtualKeyCode={"Enter": 13, "Tab": 9, " ": 32}.get(key, 0))  # fmt: skip

    def type(self, text):
        self.do("Input.insertText", text=text)

    def text(self):
        return self.evaluate("document.body.innerText")

    def picture(self, name):
        folder = os.environ.get("FLOORSHOT_SCREENSHOTS")
        if folder:
            data = self.do("Page.captureScreenshot", captureBeyondViewport=True)["data"]
            (Path(folder) / f"{name}.png").write_bytes(base64.b64decode(data))

    def close(self):
        with contextlib.suppress(AssertionError, OSError):
            self._session = None
            self.do("Browser.close")
        os.close(self._read)
        os.close(self._write)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with contextlib.closing(Tab(tmp_path_factory.mktemp("profile"))) as one:
        yield one


@pytest.fixture
def tab(browser):
    browser.complaints.clear()
    yield browser
    browser.do("Emulation.setEmulatedMedia", features=[])
    browser.do("Page.navigate", url="about:blank")


@pytest.fixture
def served(folder, bench):
    """A state folder served over TCP, and its address."""
    (folder.root / "daemon.yaml").write_text("http: {port: 0}\n")
    with ApiServer(folder) as server:
        yield server.address


@pytest.fixture
def at_a_gate(folder, queue, recipe_text, ask_tcp, served):
    """The number of a run that waits for a hand."""
    token = folder.token.read_text().strip()
    body = {"recipe_text": recipe_text, "recipe": "bonding_lead.yaml", "bench": "by_hand"}
    number = ask_tcp(served, token, "POST", "/api/v1/runs", body).json["run"]["id"]
    ask_tcp(served, token, "POST", "/api/v1/runs", body | {"priority": -1})
    queue.claim(["by_hand"])
    queue.open_gate(number, "damped_choke", "Put the damped choke into the lead.", [CAUTION])
    queue.tell("step_started", number, step=4, steps=17, kind="condition",
               text="set damped_choke", seconds_left=95.0)  # fmt: skip
    return number


def sign_in(tab, folder):
    tab.wait("!document.getElementById('token-section').hidden")
    tab.wait("document.activeElement.id === 'token'")
    tab.type(folder.token.read_text().strip())
    tab.press("Enter", text="\r")
    tab.wait("document.getElementById('alive').textContent.includes('queue')"
             " || document.getElementById('alive').textContent.includes('serving')")  # fmt: skip


def no_wider_than_the_window(tab):
    wide = tab.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0, f"{wide} px to scroll sideways"


def complaints(tab):
    """What the browser complained of, but for the 401 and 503 that are meant."""
    meant = re.compile(r"status of (401|503)")
    return [one for one in tab.complaints if not meant.search(json.dumps(one))]


@needs_chromium
def test_a_person_confirms_a_gate_by_keyboard(tab, served, folder, queue, at_a_gate):
    tab.open(served, width=360, height=740)
    sign_in(tab, folder)
    tab.wait("document.querySelector('form.gate')")
    shown = tab.text()
    assert "Put the damped choke into the lead." in shown
    assert CAUTION in shown
    tab.picture("gate-360")
    no_wider_than_the_window(tab)

    # nothing is confirmed without a name
    tab.evaluate("document.querySelector('form.gate button').focus()")
    tab.press("Enter", text="\r")
    assert queue.gate(at_a_gate).confirmed_at is None

    tab.evaluate("document.querySelector('form.gate input').focus()")
    tab.type("R. Field")
    tab.press("Tab")
    assert tab.evaluate("document.activeElement.textContent") == "I have set damped_choke"
    tab.press("Enter", text="\r")
    tab.wait("!document.querySelector('form.gate')")

    gate = queue.gate(at_a_gate)
    assert (gate.confirmed_by, gate.condition) == ("R. Field", "damped_choke")
    assert complaints(tab) == []


@needs_chromium
def test_the_page_follows_the_events(tab, served, folder, queue, at_a_gate):
    tab.open(served)
    sign_in(tab, folder)
    queue.confirm(at_a_gate, "someone else", condition="damped_choke")
    tab.wait("!document.querySelector('form.gate')")
    queue.tell("record_taken", at_a_gate, **RECORD)

    tab.wait("document.getElementById('running').innerText.includes('7 of 20')")
    shown = tab.text()
    assert "4 of 17: set damped_choke" in shown  # told before the page was opened
    assert "12.3 mV" in shown
    assert "14.3 dB" in shown or "14.2 dB" in shown
    assert tab.evaluate("document.querySelectorAll('#queue li').length") == 1
    tab.picture("running-1400")
    no_wider_than_the_window(tab)
    assert complaints(tab) == []


@needs_chromium
@pytest.mark.parametrize(("width", "scheme"), [(360, "dark"), (1400, "light")])
def test_traces_and_results_are_shown(tab, measured, width, scheme):
    over_tcp = StateFolder(measured.root)
    over_tcp.__dict__["config"] = DaemonConfig(http=Http(port=0))  # the folder is only read
    with ApiServer(over_tcp) as server:
        scheme_wanted = [{"name": "prefers-color-scheme", "value": scheme}]
        tab.do("Emulation.setEmulatedMedia", features=scheme_wanted)
        tab.open(server.address, width=width)
        sign_in(tab, measured)
        tab.wait("document.querySelectorAll('#plots svg').length === 3")
        labels = tab.evaluate(
            "[...document.querySelectorAll('#plots svg')].map(s => s.getAttribute('aria-label'))"
        )
        rows = tab.evaluate("document.getElementById('levels').innerText")
        ended = tab.evaluate("document.getElementById('done').innerText")
        tab.wait("document.querySelectorAll('#attenuations tbody tr').length")
        result = tab.evaluate("document.getElementById('result').innerText")
        scales = tab.evaluate("document.getElementById('plots').innerText")
        tab.picture(f"result-{width}-{scheme}")
        no_wider_than_the_window(tab)
        contrast = tab.evaluate(CONTRAST)
        cut_off = tab.evaluate(
            "[...document.querySelectorAll('.wide')].filter(w => w.scrollWidth > w.clientWidth)"
            ".map(w => w.innerText)"
        )

    assert [label.split(" in ")[0] for label in labels] == ["reference", "target", "floor"]
    assert rows.count("dB") == 2  # of reference and target, each above the floor at its range
    assert "every limit met" in ended
    first = json.loads(_document_of(measured))["results"][0]
    low, high = first["attenuation"]["interval_db"]
    assert f"{first['attenuation']['db']:.1f} dB ({low:.1f} to {high:.1f})" in result
    assert "at least 3.0 dB: pass" in result
    assert re.search(r"± [0-9.]+ A", scales)  # a current is shown in amperes
    assert cut_off == []
    assert [one for one in contrast if one[1] < 4.5] == []  # WCAG 2.2, 1.4.3 (AA)
    assert complaints(tab) == []


def _document_of(folder):
    with contextlib.closing(folder.queue()) as queue:
        return queue.run(1).document


@needs_chromium
def test_schedules_and_hands_are_shown(tab, served, folder, ask_tcp, recipe_text):
    token = folder.token.read_text().strip()
    body = {"recipe_text": recipe_text, "bench": "by_hand", "every": "6 h"}
    assert ask_tcp(served, token, "POST", "/api/v1/runs", body).status == 201
    del body["every"]
    assert ask_tcp(served, token, "POST", "/api/v1/runs", body).json["run"]["hands"] == 4
    tab.open(served, width=360)
    sign_in(tab, folder)
    tab.wait("document.querySelectorAll('#schedules li').length")

    assert "every 6.0 h" in tab.evaluate("document.getElementById('schedules').innerText")
    assert "a hand is needed 4 times" in tab.evaluate("document.getElementById('queue').innerText")
    no_wider_than_the_window(tab)
    assert complaints(tab) == []


@needs_chromium
def test_a_screen_reader_finds_its_way(tab, served, folder, at_a_gate):
    """Landmarks, headings and names as the browser hands them to assistive technology."""
    tab.open(served)
    sign_in(tab, folder)
    tab.wait("document.querySelector('form.gate')")
    nodes = [
        (node["role"]["value"], node.get("name", {}).get("value", ""))
        for node in tab.do("Accessibility.getFullAXTree")["nodes"]
        if not node.get("ignored")
    ]
    roles = {role for role, _ in nodes}

    assert {"main", "complementary", "banner", "contentinfo", "status"} <= roles
    assert ("form", "A hand is needed: damped_choke") in [
        (role, name.removeprefix("\u270b\ufe0e ").strip()) for role, name in nodes
    ]
    assert ("button", "I have set damped_choke") in nodes
    assert ("textbox", "Your name") in nodes
    unnamed = [role for role, name in nodes if role in ("button", "link", "textbox") and not name]
    assert unnamed == []
    assert tab.evaluate("document.getElementById('gates').ariaLive") == "polite"


CONTRAST = """
(() => {
  const parts = (css) => (css.match(/[0-9.]+/g) ?? []).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
    .map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (one) => {
    for (; one; one = one.parentElement) {
      const found = parts(getComputedStyle(one).backgroundColor);
      if (found.length === 3 || found[3] > 0) return found;
    }
    return [255, 255, 255];
  };
  const own = (one) => [...one.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
  const shown = (one) => own(one) && one.checkVisibility();
  return [...document.querySelectorAll("body *")].filter(shown)
    .map((one) => {
      const both = [light(parts(getComputedStyle(one).color)), light(ground(one))];
      const [a, b] = both.sort((x, y) => y - x);
      return [one.outerHTML.slice(0, 80), (a + 0.05) / (b + 0.05)];
    });
})()
"""


@pytest.mark.parametrize("path", sorted(PAGE))
def test_every_file_of_the_page_is_sent_without_a_token_and_under_its_policy(served, ask_tcp, path):
    answer = ask_tcp(served, None, "GET", path)

    assert answer.status == 200
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_the_page_asks_for_nothing_from_elsewhere_and_holds_no_script_of_its_own(served, ask_tcp):
    texts = {path: ask_tcp(served, None, "GET", path).text for path in PAGE}

    for path, text in texts.items():
        there = text.replace("http://www.w3.org/2000/svg", "")  # the name of a vocabulary
        there = re.sub(r"^\s*//.*", "", there, flags=re.MULTILINE)
        assert not re.search(r"(https?:)?//[a-z]", there), path
        assert "innerHTML" not in text
        assert "eval(" not in text
    assert not re.search(r"<script(?![^>]*src=)|\son\w+=|style=", texts["/"])
