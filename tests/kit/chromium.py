"""Debian's chromium without a window, driven over a pipe; no library is needed.

    with Chromium(360, 640) as browser:
        browser.open("http://127.0.0.1:8080/")
        browser.until("document.title === 'zerobeat'")
        browser.screenshot(path)

Source: the Chrome DevTools Protocol, with --remote-debugging-pipe: JSON, a zero byte after each.
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

START_S = 30.0
SOURCE_OF_TEXT = """(() => {
  const found = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const words = walk.currentNode.textContent.trim().replace(/\\s+/g, " ");
    const range = document.createRange();
    range.selectNodeContents(walk.currentNode);
    const own = range.getBoundingClientRect(), row = walk.currentNode.parentElement.closest("tr");
    const tall = row ? row.getBoundingClientRect() : own;
    const box = {left: own.left, width: own.width, height: own.height, top: tall.top,
      bottom: tall.bottom};
    if (!words || !box.width || !box.height) continue;
    const parent = walk.currentNode.parentElement;
    if (!parent.checkVisibility({opacityProperty: true, visibilityProperty: true})) continue;
    if (parent.closest("noscript")) continue;
    const [top, left, bottom] = [box.top + scrollY, box.left, box.bottom + scrollY].map(Math.round);
    found.push([top, left, bottom, parent.closest("button, summary") ? `[${words}]` : words]);
  }
  return found;
})()"""


def chromium_is_installed() -> bool:
    return shutil.which("chromium") is not None


class Chromium:
    """One page in one browser.

    Args:
        width, height: of the screen, in CSS pixels.
        meanwhile: called again and again while something is waited for.
    """

    def __init__(
        self, width: int, height: int, meanwhile: Callable[[], None] = lambda: time.sleep(0.01)
    ) -> None:
        self._meanwhile = meanwhile
        self._folder = tempfile.mkdtemp(prefix="zbc")
        ours_in, theirs_out = os.pipe()
        theirs_in, ours_out = os.pipe()
        self._in, self._out = ours_in, ours_out

        def three_and_four() -> None:
            copies = os.dup(theirs_in), os.dup(theirs_out)  # either may be 3 or 4 itself
            os.dup2(copies[0], 3)
            os.dup2(copies[1], 4)

        self._process = subprocess.Popen(
            [
                *("chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"),
                *("--disable-dev-shm-usage", "--disable-extensions", "--hide-scrollbars"),
                *("--disable-background-networking", "--disable-component-update"),
                *("--disable-sync", "--no-proxy-server", "--lang=en"),
                *(f"--window-size={width},{height}", f"--user-data-dir={self._folder}"),
                *("--remote-debugging-pipe", "about:blank"),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=os.environ | {"HOME": self._folder},
            preexec_fn=three_and_four,  # noqa: PLW1509 - descriptors 3 and 4 are the protocol
            pass_fds=(3, 4),
            start_new_session=True,
        )
        os.close(theirs_in)
        os.close(theirs_out)
        os.set_blocking(self._in, False)
        self._received = b""
        self._id = 0
        self._session = ""
        self.events: list[dict[str, Any]] = []
        targets = self.call("Target.getTargets")["targetInfos"]
        target = next(one["targetId"] for one in targets if one["type"] == "page")
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        self.call("Page.enable")
        self.call("Runtime.enable")
        self.call("Log.enable")
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=True,
        )
        self.call("Emulation.setTouchEmulationEnabled", enabled=True)

    def call(self, method: str, **values: Any) -> dict[str, Any]:
        """Call the browser and return its answer."""
        self._id += 1
        number = self._id
        message = {"id": number, "method": method, "params": values}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        end_s = time.monotonic() + START_S
        while time.monotonic() < end_s:
            for answer in self._answers():
                if answer.get("id") == number:
                    if "error" in answer:
                        raise RuntimeError(f"{method}: {answer['error']}")
                    return dict(answer["result"])
                self.events.append(answer)
            self._meanwhile()
        raise TimeoutError(f"chromium does not answer {method}")

    def _answers(self) -> list[dict[str, Any]]:
        while select.select([self._in], (), (), 0)[0]:
            part = os.read(self._in, 1 << 20)
            if not part:
                raise RuntimeError("chromium has ended")
            self._received += part
        *whole, self._received = self._received.split(b"\0")
        return [json.loads(line) for line in whole]

    def open(self, address: str) -> None:
        self.call("Page.navigate", url=address)

    def value(self, expression: str) -> Any:
        """Return what an expression of JavaScript gives; a promise is awaited."""
        result = self.call(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in result:
            raise RuntimeError(str(result["exceptionDetails"])[:500])
        return result["result"].get("value")

    def until(self, expression: str, within_s: float = 20.0) -> float:
        """Wait until an expression is true; return when it was, monotonic."""
        end_s = time.monotonic() + within_s
        tried = f"(() => {{ try {{ return Boolean({expression}); }} catch {{ return false; }} }})()"
        while not self.value(tried):
            if time.monotonic() > end_s:
                raise TimeoutError(f"waited for {expression}; there stands\n{self.text()}")
            self._meanwhile()
        return time.monotonic()

    def text(self) -> str:
        """Return the whole page as a reader sees it: a line for each row, top to bottom.

        Buttons are in square brackets, what stands beside each other is parted by a bar.
        """
        rows: list[list[tuple[int, int, int, str]]] = []
        for top, left, bottom, words in sorted(self.value(SOURCE_OF_TEXT)):
            middle = (top + bottom) / 2
            same = next((row for row in rows if row[0][0] <= middle <= row[0][2]), None)
            if same is None:
                rows.append([(top, left, bottom, words)])
            else:
                same.append((top, left, bottom, words))
        lines = (" | ".join(words for *_, words in sorted(row, key=lambda r: r[1])) for row in rows)
        return "\n".join(lines) + "\n"

    def problems(self) -> list[str]:
        """Return what the browser complained about: scripts, policy, missing files."""
        self.value("1")
        found = []
        for event in self.events:
            params = event.get("params", {})
            if event.get("method") == "Runtime.exceptionThrown":
                found.append(str(params["exceptionDetails"])[:300])
            if event.get("method") == "Log.entryAdded" and params["entry"]["level"] == "error":
                found.append(params["entry"]["text"])
        return found

    def press(self, selector: str, hold_s: float = 0.0) -> None:
        """Press what a selector finds with a finger."""
        box = self.value(
            f"(() => {{ const node = document.querySelector({json.dumps(selector)});"
            "node.scrollIntoView({block: 'center'}); const box = node.getBoundingClientRect();"
            "return [box.left + box.width / 2, box.top + box.height / 2]; })()"
        )
        point = [{"x": box[0], "y": box[1]}]
        self.call("Input.dispatchTouchEvent", type="touchStart", touchPoints=point)
        end_s = time.monotonic() + hold_s
        while time.monotonic() < end_s:
            self._meanwhile()
        self.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])

    def screenshot(self, path: Path, whole: bool = False) -> None:
        found = self.call("Page.captureScreenshot", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(found["data"]))

    def close(self) -> None:
        """End it; a second time does nothing."""
        if self._process.poll() is None:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()
            os.close(self._in)
            os.close(self._out)
        shutil.rmtree(self._folder, ignore_errors=True)

    def __enter__(self) -> Chromium:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()
