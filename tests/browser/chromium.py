"""Headless Chromium over its DevTools protocol, through a pair of pipes: no driver, no extra package, no network."""

import base64
import contextlib
import fcntl
import json
import os
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

PROGRAM = shutil.which("chromium")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-threaded-compositing",
    "--num-raster-threads=1",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
)
# The protocol wants file descriptors 3 and 4, which may be taken here: move them in a process of our own.
MOVE = "import os, sys; os.dup2(int(sys.argv[1]), 3); os.dup2(int(sys.argv[2]), 4); os.execv(sys.argv[3], sys.argv[3:])"
PATIENCE = 60  # [s] for one answer
HIGH = 20  # lowest descriptor for our ends, clear of 3 and 4


class BrowserError(Exception):
    """The browser refused a command, or a script in the page failed."""


class Page:
    """One tab. `complaints` are console errors, exceptions, security reports and requests for anything but the page."""

    def __init__(self, profile: Path):
        assert PROGRAM is not None
        ours_in, theirs_out = _pipe()
        theirs_in, ours_out = _pipe()
        command = [sys.executable, "-c", MOVE, str(theirs_in), str(theirs_out), PROGRAM, *FLAGS]
        self.process = subprocess.Popen(
            [*command, f"--user-data-dir={profile}"],
            pass_fds=(theirs_in, theirs_out),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(theirs_in)
        os.close(theirs_out)
        self.input, self.output = ours_in, ours_out
        self.rest, self.number, self.session = b"", 0, None
        self.complaints: list[str] = []
        self.events: list[dict] = []
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{domain}.enable")

    def ask(self, method: str, **parameters) -> dict:
        """One command and its result."""
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters}
        if self.session:
            message["sessionId"] = self.session
        os.write(self.output, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self.number:
                if "error" in answer:
                    raise BrowserError(f"{method}: {answer['error']}")
                return answer["result"]

    def _next(self) -> dict:
        """The next message; events are noted on the way."""
        until = time.monotonic() + PATIENCE
        while b"\0" not in self.rest:
            if not select.select([self.input], [], [], max(until - time.monotonic(), 0))[0]:
                raise BrowserError(f"no answer within {PATIENCE} s")
            more = os.read(self.input, 1 << 20)
            if not more:
                raise BrowserError("the browser closed the connection")
            self.rest += more
        text, self.rest = self.rest.split(b"\0", 1)
        message = json.loads(text)
        self._note(message)
        return message

    def _note(self, message: dict) -> None:
        method, data = message.get("method", ""), message.get("params", {})
        self.events.append(message)
        if method == "Runtime.exceptionThrown":
            self.complaints.append(str(data["exceptionDetails"]))
        if method == "Runtime.consoleAPICalled" and data["type"] in ("error", "warning", "assert"):
            self.complaints.append(str(data["args"]))
        if method == "Log.entryAdded" and data["entry"]["level"] in ("error", "warning"):
            self.complaints.append(str(data["entry"]))
        if method == "Network.requestWillBeSent":
            url = data["request"]["url"]
            if not url.startswith(("file:", "data:", "about:")):
                self.complaints.append(f"request for {url}")

    def open(self, path: Path, width: int = 1100, height: int = 900, dark: bool = False, script: bool = True) -> None:
        """Load a file at a width in CSS pixels."""
        self.ask("Emulation.setScriptExecutionDisabled", value=not script)
        self.media("screen", dark)
        self.resize(width, height)
        self.complaints.clear()
        self.events.clear()
        self.ask("Page.navigate", url=path.resolve().as_uri())
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self._next()

    def resize(self, width: int, height: int = 900) -> None:
        """Set the viewport; narrow ones as a phone would."""
        self.ask(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 500
        )

    def media(self, kind: str, dark: bool = False) -> None:
        """Screen or print, light or dark."""
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.ask("Emulation.setEmulatedMedia", media=kind, features=[scheme])

    def run(self, expression: str):
        """Value of a JavaScript expression in the page."""
        answer = self.ask("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise BrowserError(str(answer["exceptionDetails"]))
        return answer["result"].get("value")

    def press(self, key: str, code: int) -> None:
        """One key, as from a keyboard."""
        for kind in ("keyDown", "keyUp"):
            self.ask("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code)

    def screenshot(self, path: Path, whole: bool = True) -> None:
        """The page as PNG."""
        answer = self.ask("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(answer["data"]))

    def pdf(self) -> bytes:
        """The page as printed, on the paper that its style names."""
        self.media("print")
        answer = self.ask("Page.printToPDF", preferCSSPageSize=True, printBackground=False)
        return base64.b64decode(answer["data"])

    def close(self) -> None:
        """End this browser."""
        self.session = None
        with contextlib.suppress(BrowserError, BrokenPipeError):  # it may hang up before it answers
            self.ask("Browser.close")
        try:
            self.process.wait(PATIENCE)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        os.close(self.input)
        os.close(self.output)


def _pipe() -> tuple[int, int]:
    """A pipe with both ends on high descriptors."""
    ends = os.pipe()
    moved = tuple(fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, HIGH) for end in ends)
    for end in ends:
        os.close(end)
    return moved
