"""A ticket desk over HTTP that remembers what was written to it and misbehaves by a seed.

It knows no idempotency: what is sent twice stands there twice. It listens on loopback, in the process of the test.

``GET /tickets/REFERENCE/notes``      its notes, ``[{"id": …, "text": …}]``, in the order in which they were written
``POST /tickets/REFERENCE/notes``     add a note, ``{"text": …}``
``PUT /tickets/REFERENCE/notes/ID``   give a note another text
"""

from __future__ import annotations

import json
import random
import socket
import struct
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

#: The share of writes with which the desk does something else than to answer well; of reads it is so much smaller.
MISBEHAVIOUR: Mapping[str, float] = {
    "503 before writing": 0.05,
    "503 after writing": 0.07,
    "timeout, nothing written": 0.03,
    "timeout, written after it": 0.14,
    "slow body": 0.03,
    "wrong JSON": 0.05,
    "429 with Retry-After": 0.04,
    "reset before writing": 0.04,
    "reset after writing": 0.06,
}
READS_GO_WRONG = 0.4
#: A client that has waited as long as ours does is gone when this has passed; written is up to the longer one.
GONE_AFTER_S, WRITTEN_UP_TO_S = 1.2, 4.0
_BEFORE = ("503 before writing", "timeout, nothing written", "429 with Retry-After", "reset before writing")


@dataclass
class DeskNote:
    """A note as it stands in a ticket. ``asked_at`` is when the request that added it came, ``added_at`` when it was
    written; both by the clock of this machine, in s."""

    id: str
    text: str
    asked_at: float
    added_at: float


class Desk:
    """The desk. ``kinds`` counts what was done with requests; ``quiet`` lets it behave well from now on."""

    def __init__(self, seed: int, shares: Mapping[str, float] = MISBEHAVIOUR) -> None:
        self.kinds: Counter[str] = Counter()
        self.methods: Counter[str] = Counter()
        self.quiet = False
        self.faults: list[str] = []
        #: What is to be done with the next requests of a method, before anything is drawn.
        self.next_kinds: dict[str, list[str]] = {}
        self._shares = shares
        self._random = random.Random(seed)
        self._lock = threading.Lock()
        self._notes: dict[str, list[DeskNote]] = {}
        self._busy = 0
        self._slow: Counter[str] = Counter()
        self._server = _Server(("127.0.0.1", 0), _Handler)
        self._server.desk = self
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)

    @property
    def url(self) -> str:
        """Its address."""
        return f"http://127.0.0.1:{self._server.server_port}"

    def __enter__(self) -> Desk:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.quiet = True
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(timeout=10)

    # --- what is asked of it by the test ----------------------------------------------------------------------

    def notes(self, reference: str) -> list[DeskNote]:
        """What stands in a ticket."""
        with self._lock:
            return list(self._notes.get(reference, []))

    @property
    def references(self) -> list[str]:
        """The tickets in which something stands."""
        with self._lock:
            return sorted(self._notes)

    @property
    def is_idle(self) -> bool:
        """Whether nobody is being answered, not even somebody who has gone."""
        with self._lock:
            return self._busy == 0

    def slow_with(self) -> list[str]:
        """The workers that are waiting now for an answer that takes long, by the names they give."""
        with self._lock:
            return sorted(name for name, count in self._slow.items() if count > 0)

    # --- requests ---------------------------------------------------------------------------------------------

    def kind(self, method: str) -> str:
        """What is to be done with the next request."""
        with self._lock:
            self.methods[method] += 1
            told = self.next_kinds.get(method)
            drawn = told.pop(0) if told else "well" if self.quiet else self._drawn(method)
            self.kinds[drawn] += 1
            return drawn

    def _drawn(self, method: str) -> str:
        point = self._random.random() / (READS_GO_WRONG if method == "GET" else 1.0)
        for kind, share in self._shares.items():
            point -= share
            if point < 0:
                return kind
        return "well"

    def waiting_s(self) -> float:
        """How long a client waits in vain."""
        with self._lock:
            return self._random.uniform(GONE_AFTER_S, WRITTEN_UP_TO_S)

    @contextmanager
    def busy(self) -> Iterator[None]:
        """While a request is dealt with."""
        with self._lock:
            self._busy += 1
        try:
            yield
        finally:
            with self._lock:
                self._busy -= 1

    @contextmanager
    def slow(self, worker: str) -> Iterator[None]:
        """While a worker waits."""
        with self._lock:
            self._slow[worker] += 1
        try:
            yield
        finally:
            with self._lock:
                self._slow[worker] -= 1

    def done(self, method: str, reference: str, id: str, text: str, asked_at: float) -> tuple[int, Any]:  # noqa: A002
        """Do what was asked; status and answer."""
        with self._lock:
            notes = self._notes.setdefault(reference, [])
            if method == "POST":
                made = DeskNote(f"n{len(notes) + 1}", text, asked_at, time.time())
                notes.append(made)
                return 201, {"id": made.id}
            if method == "PUT":
                for one in notes:
                    if one.id == id:
                        one.text = text
                        return 200, {"id": id}
                return 404, {"problem": f"no note {id}"}
            return 200, [{"id": one.id, "text": one.text} for one in notes]


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 64
    desk: Desk

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.to_reset: set[int] = set()

    def shutdown_request(self, request: Any) -> None:
        if request.fileno() in self.to_reset:
            self.to_reset.discard(request.fileno())
            # Closed without lingering: the other side gets a reset, and no end of file.
            request.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self.close_request(request)
            return
        super().shutdown_request(request)

    def handle_error(self, request: Any, client_address: Any) -> None:
        error = sys.exc_info()[1]
        if not isinstance(error, ConnectionError):
            self.desk.faults.append(f"{type(error).__name__}: {error}")


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    timeout = 10

    def do_GET(self) -> None:
        with self.server.desk.busy():
            self._answer()

    do_POST = do_PUT = do_GET  # noqa: N815 - the library calls them so

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002
        """Nothing: the counts say it."""

    def _answer(self) -> None:
        desk, asked_at = self.server.desk, time.time()
        length = int(self.headers.get("Content-Length") or 0)
        text = json.loads(self.rfile.read(length))["text"] if length else ""
        _, _, reference, _, *rest = self.path.split("/")
        kind = desk.kind(self.command)
        worker = self.headers.get("X-Worker", "")
        if kind.startswith("timeout"):
            with desk.slow(worker):
                time.sleep(desk.waiting_s())
        status, answer = 503, {"problem": "the desk is away"}
        if kind not in _BEFORE:
            done, what = desk.done(self.command, reference, rest[0] if rest else "", text, asked_at)
            status, answer = (503, answer) if kind == "503 after writing" else (done, what)
        self._say(kind, status, json.dumps(answer).encode(), worker)

    def _say(self, kind: str, status: int, body: bytes, worker: str) -> None:
        if kind.startswith("reset"):
            self.server.to_reset.add(self.connection.fileno())
        elif kind.startswith("timeout"):
            pass  # whoever asked has gone
        elif kind == "wrong JSON":
            self._send(200, b'{"id": "n1", "te' if len(body) % 2 else b'{"notes": "none of these"}')
        elif kind == "429 with Retry-After":
            self._send(429, body, {"Retry-After": "1"})
        elif kind == "slow body":
            with self.server.desk.slow(worker):
                self._send_slowly(status, body)
        else:
            self._send(status, body)

    def _send(self, status: int, body: bytes, headers: Mapping[str, str] | None = None) -> None:
        self.send_response(status)
        for name, value in {"Content-Type": "application/json", "Content-Length": str(len(body))}.items():
            self.send_header(name, value)
        for name, value in (headers or {}).items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def _send_slowly(self, status: int, body: bytes) -> None:
        """A byte every now and then: no wait between two of them is long."""
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body) + 8))
        self.end_headers()
        until = time.monotonic() + self.server.desk.waiting_s()
        for byte in body:
            self.wfile.write(bytes([byte]))
            time.sleep(0.2)
            if time.monotonic() > until:
                return
