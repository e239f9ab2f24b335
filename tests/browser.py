"""A headless Chromium for the tests, spoken to over a pipe (Chrome DevTools Protocol 1.3)."""

from __future__ import annotations

import base64
import contextlib
import fcntl
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome")
#: Longest wait for an answer, s: machines that run tests are busy.
_PATIENCE_S = 120.0


def program() -> str | None:
    """Return where a browser is, None where there is none."""
    return next(filter(None, map(shutil.which, NAMES)), None)


class Tab:
    """One page in the browser."""

    def __init__(self, to: int, back: int) -> None:
        self._to, self._back = to, back
        self._number, self._pending = 0, b""
        self._session: str | None = None
        self._loaded = False
        self.faults: list[str] = []
        self.asked_for: list[str] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Send a command and return its result."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                result: dict[str, Any] = answer["result"]
                return result

    def _next(self) -> dict[str, Any]:
        until = time.monotonic() + _PATIENCE_S
        while b"\0" not in self._pending:
            ready, _, _ = select.select([self._back], [], [], max(until - time.monotonic(), 0))
            if not ready:
                raise TimeoutError("the browser does not answer")
            self._pending += os.read(self._back, 1 << 20)
        first, _, self._pending = self._pending.partition(b"\0")
        answer: dict[str, Any] = json.loads(first)
        self._note(answer)
        return answer

    def _note(self, message: dict[str, Any]) -> None:
        params = message.get("params", {})
        match message.get("method"):
            case "Page.loadEventFired":
                self._loaded = True
            case "Runtime.exceptionThrown":
                details = params["exceptionDetails"]
                thrown = details.get("exception", {}).get("description", "")
                self.faults.append(f"{details['text']} {thrown}")
            case "Log.entryAdded" if params["entry"]["level"] in ("error", "warning"):
                self.faults.append(params["entry"]["text"])
            case "Runtime.consoleAPICalled" if params["type"] in ("error", "warning", "assert"):
                self.faults.append(str(params["args"]))
            case "Network.requestWillBeSent":
                self.asked_for.append(params["request"]["url"][:200])

    def open(self, path: Path, width: int = 1280, height: int = 900, dark: bool = False) -> None:
        """Open a file with the network off, at a size in CSS pixels."""
        self.resize(width, height)
        self.theme(dark)
        self.call(
            "Network.emulateNetworkConditions",
            offline=True, latency=0, downloadThroughput=0, uploadThroughput=0,
        )  # fmt: skip
        self.faults.clear()
        self.asked_for.clear()
        self._loaded = False
        self.call("Page.navigate", url=path.resolve().as_uri())
        while not self._loaded:
            self._next()

    def theme(self, dark: bool) -> None:
        """Tell the page to be dark, or light."""
        value = "dark" if dark else "light"
        wanted = [{"name": "prefers-color-scheme", "value": value}]
        self.call("Emulation.setEmulatedMedia", features=wanted)

    def resize(self, width: int, height: int) -> None:
        """Set the size of the window in CSS pixels."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=False,
        )  # fmt: skip

    def run(self, script: str) -> Any:
        """Run a script in the page and return its value; a promise is waited for."""
        answer = self.call(
            "Runtime.evaluate",
            expression=script, returnByValue=True, awaitPromise=True, userGesture=True,
        )  # fmt: skip
        if "exceptionDetails" in answer:
            details = answer["exceptionDetails"]
            raise RuntimeError(details.get("exception", {}).get("description", details["text"]))
        return answer["result"].get("value")

    def press(self, key: str) -> None:
        """Press and release a key, as a keyboard would."""
        codes = {"Enter": 13, "Tab": 9, " ": 32, "ArrowRight": 39, "ArrowLeft": 37}
        code = codes.get(key, ord(key.upper()[0]))
        text = "\r" if key == "Enter" else key if len(key) == 1 else ""
        for kind in ("keyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent",
                type=kind, key=key, text=text if kind == "keyDown" else "",
                windowsVirtualKeyCode=code,
            )  # fmt: skip

    def point(self, x: float, y: float) -> None:
        """Move the pointer to a place in the window."""
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def _mouse(self, kind: str, x: float, y: float, times: int = 1) -> None:
        self.call(
            "Input.dispatchMouseEvent",
            type=kind, x=x, y=y, button="left", buttons=int(kind != "mouseReleased"),
            clickCount=times,
        )  # fmt: skip

    def click(self, x: float, y: float, times: int = 1) -> None:
        """Click at a place in the window, once or twice."""
        for number in range(1, times + 1):
            self._mouse("mousePressed", x, y, number)
            self._mouse("mouseReleased", x, y, number)

    def drag(self, start: tuple[float, float], stop: tuple[float, float]) -> None:
        """Move the pointer from one place to another with the button held."""
        self._mouse("mousePressed", *start)
        for part in (0.25, 0.5, 0.75, 1.0):
            x, y = ((1 - part) * a + part * b for a, b in zip(start, stop, strict=True))
            self._mouse("mouseMoved", x, y)
        self._mouse("mouseReleased", *stop)

    def picture(self, path: Path, whole: bool = True) -> None:
        """Save a picture of the page."""
        shot = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(shot["data"]))


def _pipe(moved: int) -> list[int]:
    """Make a pipe, one end of it out of the way of 3 and 4, the numbers that the browser knows."""
    ends = list(os.pipe())
    low, ends[moved] = ends[moved], fcntl.fcntl(ends[moved], fcntl.F_DUPFD, 10)
    os.close(low)
    return ends


@contextlib.contextmanager
def browser() -> Iterator[Tab]:
    """Run a browser of its own, without a profile that stays."""
    name = program()
    assert name is not None
    (inward, to), (back, outward) = _pipe(0), _pipe(1)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        words = (
            name, "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe",
            "--no-first-run", "--disable-dev-shm-usage", "--disable-background-networking",
            "--autoplay-policy=no-user-gesture-required", f"--user-data-dir={profile}",
        )  # fmt: skip
        process = subprocess.Popen(
            ["bash", "-c", f'exec "$@" 3<&{inward} 4>&{outward}', "bash", *words],
            pass_fds=(inward, outward),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(inward)
        os.close(outward)
        try:
            yield Tab(to, back)
        finally:
            os.close(to)
            process.terminate()
            process.wait(timeout=20)
            os.close(back)
