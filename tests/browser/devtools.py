"""A headless Chromium driven over its DevTools protocol, with the standard library alone.

Protocol: https://chromedevtools.github.io/devtools-protocol/ ; web socket frames: RFC 6455.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import socket
import struct
import subprocess
import tempfile
import time
import urllib.request
from pathlib import Path
from typing import Any

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-port=0",
)
PATIENCE_S = 60.0


def find_chromium() -> str | None:
    """Return the path of a Chromium, or None."""
    return next((path for name in ("chromium", "chromium-browser") if (path := shutil.which(name))), None)


class Browser:
    """One browser with one page; a context manager that ends the process it started."""

    def __init__(self, program: str) -> None:
        self.events: list[dict[str, Any]] = []
        self._count = 0
        self._profile = tempfile.mkdtemp(prefix="page-test-")
        command = [program, *FLAGS, f"--user-data-dir={self._profile}", "about:blank"]
        self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            self._socket = self._connect()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the browser and delete its profile."""
        if hasattr(self, "_socket"):
            self._socket.close()
        self._process.terminate()
        try:
            self._process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        shutil.rmtree(self._profile, ignore_errors=True)

    def _connect(self) -> socket.socket:
        port_file = Path(self._profile, "DevToolsActivePort")
        end = time.monotonic() + PATIENCE_S
        while not (port_file.exists() and port_file.read_text().count("\n")):
            assert self._process.poll() is None, "the browser ended by itself"
            assert time.monotonic() < end, "the browser did not open its port"
            time.sleep(0.05)
        port = int(port_file.read_text().split("\n")[0])
        local = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        while True:
            with local.open(f"http://127.0.0.1:{port}/json/list", timeout=PATIENCE_S) as answer:
                pages = [t for t in json.load(answer) if t["type"] == "page"]
            if pages:
                break
            assert time.monotonic() < end, "the browser has no page"
            time.sleep(0.05)
        path = pages[0]["webSocketDebuggerUrl"].split(str(port), 1)[1]
        wire = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
        key = base64.b64encode(os.urandom(16)).decode()
        wire.sendall(
            f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
            f"Sec-WebSocket-Key: {key}\r\nSec-WebSocket-Version: 13\r\n\r\n".encode()
        )
        head = b""
        while not head.endswith(b"\r\n\r\n"):
            head += wire.recv(1)
        assert b" 101 " in head.split(b"\r\n")[0]
        return wire

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Call a method of the protocol and return its result; events that come meanwhile are kept."""
        self._count += 1
        self._send(json.dumps({"id": self._count, "method": method, "params": parameters}).encode())
        while True:
            message = self._receive()
            if message.get("id") == self._count:
                assert "error" not in message, f"{method}: {message['error']}"
                result: dict[str, Any] = message["result"]
                return result
            self.events.append(message)

    def wait_for(self, event: str) -> None:
        """Return once an event of this name has come since the last `forget`."""
        while not any(e.get("method") == event for e in self.events):
            self.events.append(self._receive())

    def forget(self) -> None:
        """Drop the events kept."""
        self.events.clear()

    def evaluate(self, expression: str) -> Any:
        """Return the value of a JavaScript expression in the page."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def _send(self, payload: bytes) -> None:
        size = len(payload)
        if size < 126:
            head = struct.pack("!BB", 0x81, 0x80 | size)
        elif size < 65536:
            head = struct.pack("!BBH", 0x81, 0x80 | 126, size)
        else:
            head = struct.pack("!BBQ", 0x81, 0x80 | 127, size)
        mask = os.urandom(4)
        masked = bytes(b ^ mask[i % 4] for i, b in enumerate(payload))
        self._socket.sendall(head + mask + masked)

    def _receive(self) -> dict[str, Any]:
        payload, final = b"", False
        while not final:
            first, second = self._exactly(2)
            size = second & 0x7F
            if size == 126:
                (size,) = struct.unpack("!H", self._exactly(2))
            elif size == 127:
                (size,) = struct.unpack("!Q", self._exactly(8))
            part = self._exactly(size)
            if first & 0x0F in (0x0, 0x1):
                payload += part
                final = bool(first & 0x80)
        message: dict[str, Any] = json.loads(payload)
        return message

    def _exactly(self, size: int) -> bytes:
        parts = b""
        while len(parts) < size:
            part = self._socket.recv(size - len(parts))
            assert part, "the browser closed the connection"
            parts += part
        return parts
