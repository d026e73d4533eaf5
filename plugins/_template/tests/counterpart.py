"""The other side: the desk as far as this plugin speaks with it, on this machine.

``python counterpart.py PORT`` runs it by itself until it is stopped, and prints what comes: to try a plugin by hand.
"""

from __future__ import annotations

import logging
import os
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import flask
from werkzeug.serving import make_server

TOKEN = "a-token-of-the-tests"
A_PAGE = 2


@dataclass
class CounterpartDesk:
    """Its tickets by number, each a list of texts; and what it is to answer instead, once each."""

    url: str = ""
    token: str = TOKEN
    tickets: dict[str, list[str]] = field(default_factory=lambda: {"LF-17": ["Called the owner."]})
    instead: list[flask.Response] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


def application(desk: CounterpartDesk) -> flask.Flask:
    app = flask.Flask(__name__)

    @app.before_request
    def first() -> Any:
        desk.asked.append(f"{flask.request.method} {flask.request.environ['RAW_URI']}")
        if desk.instead:
            return desk.instead.pop(0)
        if flask.request.headers.get("Authorization") != f"Bearer {desk.token}":
            return flask.Response(status=401)
        return None

    # "path": a number may hold a slash. It arrives here decoded.
    @app.get("/api/tickets/<path:number>/notes")
    def notes(number: str) -> Any:
        first = (flask.request.args.get("page", 1, int) - 1) * A_PAGE
        texts = desk.tickets.get(number)
        if texts is None:
            return flask.Response(status=404)
        page = [{"id": i + 1, "text": text, "by": "x"} for i, text in enumerate(texts)][first : first + A_PAGE]
        return {"notes": page, "more": first + A_PAGE < len(texts)}

    @app.post("/api/tickets/<path:number>/notes")
    def add(number: str) -> Any:
        if number not in desk.tickets or len(flask.request.json["text"]) > 4000:
            return flask.Response(status=404 if number not in desk.tickets else 413)
        desk.tickets[number].append(flask.request.json["text"])
        return {"id": len(desk.tickets[number])}, 201

    @app.put("/api/tickets/<path:number>/notes/<int:note>")
    def rewrite(number: str, note: int) -> Any:
        desk.tickets[number][note - 1] = flask.request.json["text"]
        return flask.Response(status=204)

    return app


@contextmanager
def running(port: int = 0) -> Iterator[CounterpartDesk]:
    """The desk, answering at its ``url`` until the end of the block."""
    desk = CounterpartDesk()
    server = make_server("127.0.0.1", port, application(desk), threaded=True)
    desk.url = f"http://127.0.0.1:{server.server_port}/api"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield desk
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def main() -> None:
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    with running(int(sys.argv[1])) as desk:
        desk.token = os.environ.get("DESK_TOKEN", TOKEN)
        print(f"The desk answers at {desk.url}", flush=True)
        shown: dict[tuple[str, int], str] = {}
        while True:
            for number, texts in desk.tickets.items():
                for i, text in enumerate(texts, start=1):
                    if shown.get((number, i)) != text:
                        shown[number, i] = text
                        print(f"\n===== {number}, note {i} =====\n{text}", flush=True)
            time.sleep(0.2)


if __name__ == "__main__":
    main()
