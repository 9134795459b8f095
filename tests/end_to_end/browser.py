"""A browser without a screen, by the Chrome DevTools Protocol over a websocket (from memory)."""

import json
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from end_to_end.world import Program, Site

START_S = 30.0
ANSWER_S = 20.0
SIZE = {"width": 1200, "height": 700, "deviceScaleFactor": 1, "mobile": False}


class Page:
    """One page; `complaints` are exceptions and errors that the browser has told of, such as
    breaches of the page's own security policy."""

    def __init__(self, line: Any) -> None:
        self._line = line
        self._asked = 0
        self._session = ""
        self._loaded = False
        self.complaints: list[str] = []

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Have the browser do something, and return what it says."""
        self._asked += 1
        asked = {"id": self._asked, "method": method, "params": parameters}
        if self._session:
            asked["sessionId"] = self._session
        self._line.send(json.dumps(asked))
        said = self._next()
        while said.get("id") != self._asked:
            said = self._next()
        if "error" in said:
            raise RuntimeError(f"{method}: {said['error']}")
        result: dict[str, Any] = said["result"]
        return result

    def _next(self) -> dict[str, Any]:
        """What the browser says next; complaints are noted."""
        said: dict[str, Any] = json.loads(self._line.recv(timeout=ANSWER_S))
        if "method" in said:
            self._note(said)
        return said

    def _note(self, said: dict[str, Any]) -> None:
        details = said.get("params", {})
        if said["method"] == "Page.loadEventFired":
            self._loaded = True
        elif said["method"] == "Runtime.exceptionThrown":
            self.complaints.append(json.dumps(details["exceptionDetails"]))
        elif said["method"] == "Log.entryAdded" and details["entry"]["level"] == "error":
            self.complaints.append(details["entry"]["text"])

    def open(self, address: str) -> None:
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        found = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = found["sessionId"]
        for domain in ("Page", "Runtime", "Log"):
            self.call(f"{domain}.enable")
        self.call("Emulation.setDeviceMetricsOverride", **SIZE)
        self._loaded = False
        self.call("Page.navigate", url=address)
        while not self._loaded or self.value("document.URL") == "about:blank":
            self._next()

    def value(self, expression: str) -> Any:
        """The value of a JavaScript expression, as JSON has it."""
        found = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in found:
            raise RuntimeError(f"{expression}: {found['exceptionDetails']}")
        return found["result"].get("value")

    def screenshot(self) -> str:
        """A PNG, in base64."""
        return str(self.call("Page.captureScreenshot", format="png")["data"])


@contextmanager
def browser(site: Site, profile: Path) -> Iterator[Page]:
    """A page of a Chromium of its own; without Chromium or websockets the test is skipped, in CI
    too: it is large, and only the example of a dashboard needs it."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("missing: the program chromium")
    client = pytest.importorskip("websockets.sync.client")
    command = [
        *(program, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"),
        *("--no-first-run", "--disable-background-networking", "--disable-crash-reporter"),
        *("--remote-debugging-port=0", f"--user-data-dir={profile}", "about:blank"),
    ]
    process = Program(site.world, command)
    try:
        found = site.until(
            lambda: re.search(r"DevTools listening on (ws://\S+)", "\n".join(process.lines)),
            "the browser",
            START_S,
        )
        with client.connect(found[1], max_size=None, open_timeout=ANSWER_S) as line:
            yield Page(line)
    finally:
        process.put_away()
