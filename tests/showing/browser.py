"""A real browser for the tests: Chromium without a window, spoken to through a pipe in its own protocol.

Nothing but the browser is needed. Where it is missing, and only then, the tests are skipped and say how to get it.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")
PATIENCE_S = 20.0  # a shared machine of two cores may take long to start a browser


class Browser:
    """One page in Chromium; use it with `with`."""

    def __init__(self, width: int, height: int, *, mobile: bool = False) -> None:
        found = next((path for name in NAMES if (path := shutil.which(name))), None)
        if found is None:
            pytest.skip("no Chromium to open the report with: install it with `apt-get install chromium`")
        to_browser, from_us = os.pipe()
        from_browser, to_us = os.pipe()
        self._profile = tempfile.TemporaryDirectory(prefix="browser-", ignore_cleanup_errors=True)
        # The browser reads commands from descriptor 3 and writes to 4.
        command = (
            f'exec "{found}" --headless=new --no-sandbox --disable-gpu --disable-dev-shm-usage --remote-debugging-pipe '
            f'--user-data-dir="{self._profile.name}" about:blank 3<&{to_browser} 4>&{to_us}'
        )
        self._process = subprocess.Popen(
            ["/bin/bash", "-c", command],
            pass_fds=(to_browser, to_us),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(to_us)
        os.set_blocking(from_browser, False)
        self._write, self._read = from_us, from_browser
        self._rest = b""
        self._number = 0
        self.width = width
        self._session = ""
        self.events: list[dict[str, Any]] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")
        # Time of the processor, not of the clock: what else the machine does is no fault of the page's.
        self.call("Performance.enable", timeDomain="threadTicks")
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=mobile)
        if mobile:
            self.call("Emulation.setTouchEmulationEnabled", enabled=True)

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._write)
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._read)
        self._profile.cleanup()

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Send one command and wait for its answer; events that come meanwhile are kept."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            for answer in self._messages():
                if answer.get("id") == self._number:
                    assert "error" not in answer, f"{method}: {answer['error']}"
                    return answer["result"]  # type: ignore[no-any-return]
                self.events.append(answer)
            time.sleep(0.005)
        raise TimeoutError(f"no answer to {method} within {PATIENCE_S} s")

    def _messages(self) -> list[dict[str, Any]]:
        try:
            while piece := os.read(self._read, 1 << 20):
                self._rest += piece
        except BlockingIOError:
            pass
        *whole, self._rest = self._rest.split(b"\0")
        return [json.loads(one) for one in whole if one]

    def open(self, path: Path, ready: str) -> float:
        """Open a file and wait until the expression holds; gives the seconds that took of the page's processor."""
        before = self._busy_s()
        self.call("Page.navigate", url=path.as_uri())
        self.wait(ready)
        return self._busy_s() - before

    def _busy_s(self) -> float:
        metrics = self.call("Performance.getMetrics")["metrics"]
        return float(next(one["value"] for one in metrics if one["name"] == "TaskDuration"))

    def wait(self, expression: str) -> Any:
        """Wait until an expression is true or not empty, and give it."""
        start = time.monotonic()
        while not (value := self.value(expression)):
            assert time.monotonic() - start < PATIENCE_S, f"{expression} did not come true"
            time.sleep(0.02)
        return value

    def value(self, expression: str) -> Any:
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def hover(self, x: float, y: float) -> None:
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def tap(self, x: float, y: float) -> None:
        self.call("Input.dispatchTouchEvent", type="touchStart", touchPoints=[{"x": x, "y": y}])
        self.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])

    def screenshot(self) -> bytes:
        answer = self.call("Page.captureScreenshot", captureBeyondViewport=True, format="png")
        return base64.b64decode(answer["data"])

    def complaints(self) -> list[str]:
        """Errors and warnings that the page left in the console."""
        found = []
        for event in self.events:
            params = event.get("params", {})
            if event.get("method") == "Runtime.exceptionThrown":
                found.append(str(params["exceptionDetails"]))
            elif event.get("method") == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning", "assert"):
                found.append(str(params["args"]))
            elif event.get("method") == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
                found.append(str(params["entry"]))
        return found

    def requests(self) -> list[str]:
        """Everything that the page asked for."""
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]
