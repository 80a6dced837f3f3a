"""A real browser without a window, by the pipe of its DevTools protocol: what it loads, says and prints."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome")
FLAGS = (
    *(
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--no-first-run",
        "--no-startup-window",
    ),
    *(
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-extensions",
        "--remote-debugging-pipe",
    ),
)


def browser_program() -> str | None:
    """Where a browser is installed, if one is."""
    return next((found for name in NAMES if (found := shutil.which(name))), None)


class Browser:
    """One page of a running browser. Everything it tells is kept in `told`."""

    def __init__(self, to_browser: int, from_browser: int) -> None:
        self._to, self._from = to_browser, os.fdopen(from_browser, "rb", buffering=0)
        self._rest, self._count = b"", 0
        self.told: list[dict[str, Any]] = []
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for part in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{part}.enable")

    def ask(self, method: str, **keys: Any) -> dict[str, Any]:
        """Call a method, and wait for its answer."""
        self._count += 1
        message = {"id": self._count, "method": method, "params": keys}
        session = getattr(self, "_session", None)
        if session is not None:
            message["sessionId"] = session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            heard = self._next()
            if heard.get("id") == self._count:
                assert "error" not in heard, heard["error"]
                result: dict[str, Any] = heard["result"]
                return result
            self.told.append(heard)

    def open(self, page: Path) -> None:
        """Load a file, and wait until it is there."""
        self.ask("Page.navigate", url=page.as_uri())
        while not self.heard("Page.loadEventFired"):
            self.told.append(self._next())

    def heard(self, method: str) -> list[dict[str, Any]]:
        """What was told under this name."""
        return [one["params"] for one in self.told if one.get("method") == method]

    def value(self, expression: str) -> Any:
        """What a script of ours finds in the page."""
        return self.ask("Runtime.evaluate", expression=expression, returnByValue=True)["result"].get("value")

    def pdf(self) -> bytes:
        return base64.b64decode(self.ask("Page.printToPDF", preferCSSPageSize=True, printBackground=True)["data"])

    def close(self) -> None:
        """End the browser, and the pipes to it."""
        self._from.close()
        os.close(self._to)

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            more = self._from.read(1 << 16)
            assert more, "the browser went away"
            self._rest += more
        line, _, self._rest = self._rest.partition(b"\0")
        message: dict[str, Any] = json.loads(line)
        return message


@contextmanager
def opened_browser(folder: Path) -> Iterator[Browser]:
    """Start a browser whose files lie in `folder`, and end it."""
    program = browser_program()
    assert program is not None
    read_in, write_in = os.pipe()
    read_out, write_out = os.pipe()
    words = [program, *FLAGS, f"--user-data-dir={folder}"]
    # DevTools reads from descriptor 3 and writes to 4; the shell puts the pipes there.
    shell = f'exec "$@" 3<&{read_in} 4>&{write_out}'
    process = subprocess.Popen(
        ["bash", "-c", shell, "bash", *words],
        pass_fds=(read_in, write_out),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(read_in)
    os.close(write_out)
    browser = Browser(write_in, read_out)
    try:
        yield browser
    finally:
        browser.close()  # it ends when nobody is at the other end
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
