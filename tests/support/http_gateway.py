"""A real HTTP gateway in a thread that can be told to misbehave."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass
class Asked:
    """One request as it came."""

    method: str
    path: str
    headers: dict[str, str]
    body: str
    taken: bool = True  #: whether the gateway keeps it, whatever becomes of the answer
    at: float = field(default_factory=time.monotonic)  #: [steady clock, s]


@dataclass
class Gateway:
    """What the gateway was asked, and how it is to behave."""

    url: str = ""
    asked: list[Asked] = field(default_factory=list)
    status: int = 200
    answer: str = '{"status": "queued", "id": "m-17"}'
    headers: dict[str, str] = field(default_factory=dict)
    #: Seconds before the answer, and between its bytes.
    delay: float = 0.0
    drip: float = 0.0
    hang_up: bool = False
    garbage: bool = False


@contextmanager
def http_gateway() -> Iterator[Gateway]:
    """Run the gateway."""
    gateway = Gateway()
    ended = threading.Event()

    class Handler(BaseHTTPRequestHandler):
        def handle_any(self) -> None:
            length = int(self.headers.get("Content-Length", 0))
            body = self.rfile.read(length).decode()
            taken = gateway.status // 100 == 2 and not gateway.garbage
            gateway.asked.append(Asked(self.command, self.path, dict(self.headers), body, taken))
            self.close_connection = True
            if gateway.hang_up:
                return
            if gateway.garbage:
                self.wfile.write(b"\x00\x01 what?\r\n\r\n")
                return
            ended.wait(gateway.delay)
            self.send_response(gateway.status)
            for name, value in gateway.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(gateway.answer.encode())))
            self.end_headers()
            for byte in gateway.answer.encode():
                self.wfile.write(bytes([byte]))
                if gateway.drip:
                    self.wfile.flush()
                    time.sleep(gateway.drip)

        do_POST = do_GET = do_PUT = handle_any  # noqa: N815  (http.server's names)

        def log_message(self, format: str, *args: object) -> None:
            pass

    class Server(ThreadingHTTPServer):
        def handle_error(self, request: object, client_address: object) -> None:
            pass  # a client that went away is part of the test

    server = Server(("127.0.0.1", 0), Handler)
    gateway.url = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield gateway
    finally:
        ended.set()
        server.shutdown()
        server.server_close()
        thread.join(120)
