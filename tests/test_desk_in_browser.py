"""The desk in a real browser, by keyboard alone: from ``inkstrain desk`` to a compared pair."""

from __future__ import annotations

import base64
import itertools
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import ScanOptions, rehearse

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium here; .ci/run has one")

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--window-size=1200,1000",
)  # fmt: skip
HEEDING = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
PROGRAM = [sys.executable, "-c", HEEDING + "import sys; from inkstrain.cli.app import main; sys.exit(main())"]
PATIENCE_S = 60.0
MOST_ACTIONS = 12  # the project's own goal
MOST_TABS = 60


class Browser:
    """Chromium at the other end of two pipes (Chrome DevTools Protocol: JSON texts, each ended by a zero byte)."""

    def __init__(self, folder: Path) -> None:
        ours_in, theirs_out = os.pipe()
        theirs_in, ours_out = os.pipe()
        # the protocol wants file descriptors 3 and 4
        move = f"a, b = os.dup({theirs_in}), os.dup({theirs_out}); os.dup2(a, 3); os.dup2(b, 4); "
        move += "os.set_inheritable(3, True); os.set_inheritable(4, True)"
        line = [sys.executable, "-c", f"import os, sys; {move}; os.execv(sys.argv[1], sys.argv[1:])", CHROMIUM, *FLAGS]
        self._process = subprocess.Popen(
            [*line, "--remote-debugging-pipe", f"--user-data-dir={folder}"],
            pass_fds=(theirs_in, theirs_out), stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(theirs_in)
        os.close(theirs_out)
        self._in, self._out = os.fdopen(ours_in, "rb", 0), os.fdopen(ours_out, "wb", 0)
        self._rest, self._numbers, self._session = b"", itertools.count(1), ""
        self.console: list[str] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "DOM"):
            self.call(f"{domain}.enable")
        self.call("Emulation.setFocusEmulationEnabled", enabled=True)
        self.size(1200)
        self.actions = 0

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        number = next(self._numbers)
        session = {"sessionId": self._session} if self._session else {}
        self._out.write(json.dumps({"id": number, "method": method, "params": params, **session}).encode() + b"\0")
        while True:
            while b"\0" not in self._rest:
                chunk = self._in.read(65536)
                assert chunk, "the browser is gone"
                self._rest += chunk
            text, _, self._rest = self._rest.partition(b"\0")
            answer = json.loads(text)
            if answer.get("method") == "Log.entryAdded":
                self.console.append(answer["params"]["entry"]["text"])
            if answer.get("id") == number:
                assert "error" not in answer, answer
                return answer["result"]

    def size(self, width: int) -> None:
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=1000, deviceScaleFactor=1, mobile=False
        )

    def value(self, expression: str) -> Any:
        """Return what an expression is on the page as it stands; ``None`` while pages change."""
        with suppress(AssertionError):
            return self.call("Runtime.evaluate", expression=expression, returnByValue=True)["result"].get("value")
        return None

    def until(self, expression: str) -> None:
        end = time.monotonic() + PATIENCE_S
        while not self.value(f"!!({expression})"):
            assert time.monotonic() < end, self.value("document.body.innerText")
            time.sleep(0.05)

    def key(self, name: str, text: str = "") -> None:
        code = {"Tab": 9, "Enter": 13, " ": 32}[name]
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=name, windowsVirtualKeyCode=code, text=text)

    def reach(self, selector: str) -> None:
        """Press Tab until the element has the focus, which has to be seen."""
        for _ in range(MOST_TABS):
            if self.value(f"document.activeElement.matches({json.dumps(selector)})"):
                assert self.value("getComputedStyle(document.activeElement).outlineStyle") != "none"
                return
            self.key("Tab")
        raise AssertionError(f"{selector} cannot be reached by Tab")

    def fill(self, selector: str, text: str) -> None:
        self.reach(selector)
        self.call("Input.insertText", text=text)
        self.actions += 1

    def press(self, selector: str, name: str = "Enter") -> None:
        self.reach(selector)
        self.key(name, "\r" if name == "Enter" else name)
        self.actions += 1

    def choose(self, selector: str, files: list[Path]) -> None:
        """Choose files, as the system's own dialog would."""
        self.reach(selector)
        root = self.call("DOM.getDocument")["root"]["nodeId"]
        node = self.call("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
        self.call("DOM.setFileInputFiles", nodeId=node, files=[str(path) for path in files])
        self.actions += 1

    def picture(self, name: str) -> None:
        """Keep a picture of the page, if someone asked for pictures."""
        folder = os.environ.get("INKSTRAIN_TEST_PICTURES")
        if folder:
            self.until("document.readyState == 'complete' && document.body.clientWidth")
            time.sleep(1.0)
            shot = self.call("Page.captureScreenshot")["data"]
            (Path(folder) / f"{name}.png").write_bytes(base64.b64decode(shot))

    def close(self) -> None:
        with suppress(AssertionError):
            self.call("Browser.close")
        self._process.wait(30)
        self._in.close()
        self._out.close()


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Browser]:
    opened = Browser(tmp_path / "browser")
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("pair")
    paths = [folder / f"{name}.tif" for name in ("monday", "friday")]
    for seed, path in enumerate(paths):
        rehearse(
            Recipe(sheet="120x130", hues=1, only=("ring-to-white",)), path, scan_options=ScanOptions(dpi=200), seed=seed
        )
    return paths


def test_from_the_first_page_to_a_compared_pair_by_keyboard(browser: Browser, pair: list[Path], tmp_path: Path) -> None:
    words = ["desk", tmp_path / "home", "--no-browser", "--ledger", tmp_path / "ledger.sqlite"]
    with subprocess.Popen([*PROGRAM, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as desk:
        try:
            assert desk.stdout is not None
            browser.call("Page.navigate", url=desk.stdout.readline().decode().strip())
            browser.until("document.querySelector('#paper')")
            assert browser.value("location.search") == ""
            browser.picture("1-first")
            browser.fill("#printer", "Alder (invented)")
            browser.fill("#paper", "gloss 290 (invented)")
            browser.fill("#ink", "four inks (invented)")
            browser.press(".ask button")
            browser.until("document.querySelector('#files')")
            browser.choose("#files", pair)
            browser.picture("2-scans")
            browser.press(".drop button")
            browser.until("document.querySelector('progress')")
            browser.until("document.querySelectorAll('[name=print]').length == 2")
            browser.picture("3-kept")
            browser.press("tr:nth-child(1) [name=print]", " ")
            browser.press("tr:nth-child(2) [name=print]", " ")
            assert browser.value("document.querySelectorAll('[name=print]:checked').length") == 2
            browser.press("form[action='/compare'] button")
            browser.until("location.pathname == '/compare' && document.querySelector('h1')")
            assert "ifference" in browser.value("document.querySelector('main').innerText")
            browser.picture("4-compared")
            assert browser.actions <= MOST_ACTIONS
            assert browser.console == []
            browser.press("a[href='/']")
            browser.until("location.pathname == '/' && document.querySelector('[name=print]')")
            # no page of a wide or a narrow screen scrolls sideways
            for width in (320, 1200):
                browser.size(width)
                browser.until(f"innerWidth === {width} && document.documentElement.scrollWidth <= {width}")
                browser.picture(f"5-{width}")
            # every field has a name that is read out
            assert browser.value(
                "[...document.querySelectorAll('input, select')].every(e => e.labels.length || e.ariaLabel)"
            )
            desk.send_signal(signal.SIGINT)
            assert desk.wait(30) == 0
            assert b"Traceback" not in desk.stderr.read()
        finally:
            if desk.poll() is None:
                desk.kill()
