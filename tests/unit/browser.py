"""A headless Chromium driven over its DevTools protocol, for tests."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import pytest

BROWSER = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)


def require_browser() -> None:
    """Skip a test where there is no browser or no way to talk to it."""
    if BROWSER is None:
        pytest.skip("no Chromium; apt-get install chromium")
    pytest.importorskip("websocket", reason="websocket-client is missing; it comes with jupyterlab")


class Browser:
    """One page. Console errors and requests that leave `file:`, `data:` and `blob:` are kept."""

    def __init__(self, width: int = 1300, height: int = 1000) -> None:
        import websocket

        self.folder = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        command = [str(BROWSER), "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0"]
        command += ["--no-first-run", "--disable-dev-shm-usage", "--disable-extensions"]
        command += ["--disable-background-networking"]
        command += [f"--window-size={width},{height}", f"--user-data-dir={self.folder.name}", "about:blank"]
        self.process = subprocess.Popen(command, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        told = Path(self.folder.name, "DevToolsActivePort")
        until = time.monotonic() + 60
        while not (told.exists() and told.read_text().count("\n")):
            if time.monotonic() > until:
                raise TimeoutError("Chromium did not start")
            time.sleep(0.1)
        port = told.read_text().split()[0]
        from urllib.request import urlopen

        pages = json.load(urlopen(f"http://127.0.0.1:{port}/json"))
        address = next(p["webSocketDebuggerUrl"] for p in pages if p["type"] == "page")
        self.socket = websocket.create_connection(address, timeout=60, suppress_origin=True)
        self.number = 0
        self.errors: list[str] = []
        self.requests: list[str] = []
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Send a command and return its result; events that come in between are kept."""
        self.number += 1
        self.socket.send(json.dumps({"id": self.number, "method": method, "params": params}))
        while True:
            answer = json.loads(self.socket.recv())
            if answer.get("id") == self.number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return dict(answer["result"])
            self._keep(answer)

    def _keep(self, event: dict[str, Any]) -> None:
        p = event.get("params", {})
        if event.get("method") == "Network.requestWillBeSent":
            url = p["request"]["url"]
            if not re.match(r"(file|data|blob|about|chrome)", url):
                self.requests.append(url)
        elif event.get("method") == "Runtime.exceptionThrown":
            self.errors.append(str(p["exceptionDetails"]))
        elif event.get("method") == "Runtime.consoleAPICalled" and p["type"] == "error":
            self.errors.append(" ".join(str(a.get("value", a.get("description", ""))) for a in p["args"]))
        elif event.get("method") == "Log.entryAdded" and p["entry"]["level"] == "error":
            self.errors.append(f"{p['entry']['text']} {p['entry'].get('url', '')}")

    def open(self, url: str) -> None:
        """Go to an address and wait until it is loaded."""
        self.call("Page.navigate", url=url)
        self.until("document.readyState === 'complete'")

    def run(self, code: str) -> Any:
        """Return what an expression of JavaScript gives."""
        found = self.call("Runtime.evaluate", expression=code, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in found:
            raise RuntimeError(found["exceptionDetails"].get("exception", found["exceptionDetails"]))
        return found["result"].get("value")

    def until(self, code: str, seconds: float = 90.0) -> Any:
        """Wait until an expression is true and return it."""
        end = time.monotonic() + seconds
        while not (value := self.run(code)):
            if time.monotonic() > end:
                raise TimeoutError(f"still not: {code}")
            time.sleep(0.05)
        return value

    def mouse(self, kind: str, x: float, y: float) -> None:
        """Send a mouse event: Pressed, Moved or Released, with the left button."""
        self.call("Input.dispatchMouseEvent", type=f"mouse{kind}", x=x, y=y, button="left", buttons=1, clickCount=1)

    def screenshot(self, path: str | Path, whole: bool = False) -> None:
        """Write what is seen as PNG."""
        shot = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        Path(path).write_bytes(base64.b64decode(shot["data"]))

    def close(self) -> None:
        """End the browser."""
        self.socket.close()
        self.process.terminate()
        self.process.wait(timeout=20)
        self.folder.cleanup()

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
