"""A camera on the network: pictures as an endless multipart answer (MJPEG), on this machine alone."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import cv2
import numpy as np
from numpy.typing import NDArray

BOUNDARY = "picture"


class Stream:
    """Serves what `take` gives, `rate_hz` times a second at most, to each client; counts what it sent."""

    def __init__(self, take: Callable[[], NDArray[np.uint8]], rate_hz: float = 15.0, quality: int = 95) -> None:
        self._take, self._pace_s, self._quality = take, 1.0 / rate_hz, quality
        self._over = threading.Event()
        self.sent = 0
        stream = self

        class Answer(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.send_response(200)
                self.send_header("Content-Type", f"multipart/x-mixed-replace; boundary={BOUNDARY}")
                self.end_headers()
                stream._send_pictures(self.wfile.write)

            def log_message(self, *_: object) -> None: ...

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
        self._server.daemon_threads = True
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}/"

    def close(self) -> None:
        """End every answer, then the server."""
        self._over.set()
        self._server.shutdown()
        self._server.server_close()

    def _send_pictures(self, write: Callable[[bytes], object]) -> None:
        try:
            while not self._over.is_set():
                began = time.monotonic()
                write(_part(self._take(), self._quality))
                self.sent += 1
                time.sleep(max(0.0, self._pace_s - (time.monotonic() - began)))
        except (BrokenPipeError, ConnectionResetError):
            return  # the client has gone


def _part(picture: NDArray[np.uint8], quality: int) -> bytes:
    good, jpeg = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not good:
        raise ValueError("this picture cannot be written as JPEG")
    body = jpeg.tobytes()
    head = f"--{BOUNDARY}\r\nContent-Type: image/jpeg\r\nContent-Length: {len(body)}\r\n\r\n"
    return head.encode() + body + b"\r\n"
