"""A ticket system that keeps state, over real HTTP on this machine: what the plugin is tried against.

Merge patches are applied by the library json-merge-patch (RFC 7396: an array is replaced whole), JSON patches by
jsonpatch (RFC 6902). Filters, sorting and pages are what the plugin sends and no more. It can be told to fail, to lose
what it is sent, and to let somebody else write at any moment.
"""

from __future__ import annotations

import copy
import itertools
import json
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import unquote

import json_merge_patch
import jsonpatch
from flask import Flask, Response, request
from werkzeug.serving import make_server

#: By its own clock, which must not lie ahead of this machine's.
START = datetime(2021, 5, 4, 7, 0, tzinfo=UTC)


@dataclass
class Fault:
    """What goes wrong at one request: ``when`` it is "before" or "after" the work, with what answer.

    ``how``: "answer", "hang" (longer than anybody waits) or "reset" (the connection breaks).
    """

    method: str
    when: str = "before"
    how: str = "answer"
    status: int = 503
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)


def nothing(method: str, path: str) -> None:
    """Nobody else does anything meanwhile."""


@dataclass
class Sent:
    """A request as it came in, and what it was answered."""

    method: str
    path: str
    query: dict[str, str]
    headers: dict[str, str]
    body: Any
    status: int = 0
    answer: Any = None


class Desk:
    """Tickets, and how they are changed: the logic without HTTP."""

    def __init__(self) -> None:
        self.tickets: dict[str, dict[str, Any]] = {}
        self.versions: dict[str, int] = {}
        self.etag = "strong"  # or "weak" or "none"
        self.heeds_if_match = True
        self.knows_json_patch = True
        self.fixed_notes = False  # texts of notes stay as they were first written
        self.longest_kept = 0  # characters of a note that are kept; 0: all
        self.accepts_only = False  # 202, and the work is done by finish()
        self.shows_total = True
        self.heeds_filter = True
        self.heeds_sort = True
        self.most_at_once = 1000
        self.changed_text: Callable[[str], str] = lambda text: text
        self._ids = itertools.count(1)
        self._ticks = itertools.count(1)
        self.accepted: list[Callable[[], object]] = []
        self.lock = threading.RLock()

    def now(self) -> str:
        """A clock that goes on by a second each time."""
        return (START + timedelta(seconds=next(self._ticks))).isoformat().replace("+00:00", "Z")

    def open(self, id: str, **more: Any) -> dict[str, Any]:  # noqa: A002
        """Put a ticket there."""
        moment = self.now()
        self.tickets[id] = {
            "id": id,
            "href": f"https://tickets.lanternfield.example/troubleTicket/{id}",
            "@type": "TroubleTicket",
            "description": "Cable down in Saltgate",
            "severity": "Major",
            "ticketType": "fibre fault",
            "status": "inProgress",
            "creationDate": moment,
            "lastUpdate": moment,
            **more,
        }
        self.versions[id] = 1
        return self.tickets[id]

    def append(self, id: str, text: str, author: str = "control room") -> None:  # noqa: A002
        """Somebody else adds a note, in one step."""
        with self.lock:
            note = {"@type": "Note", "id": f"f-{next(self._ids)}", "author": author, "date": self.now(), "text": text}
            self.tickets[id].setdefault("note", []).append(note)
            self._touched(id)

    def texts(self, id: str) -> list[str]:  # noqa: A002
        """The texts of all notes of a ticket."""
        return [note["text"] for note in self.tickets[id].get("note", [])]

    def etag_of(self, id: str) -> str:  # noqa: A002
        tag = f'"{self.versions[id]}"'
        return {"strong": tag, "weak": f"W/{tag}", "none": ""}[self.etag]

    def patch(self, id: str, content_type: str, body: Any, if_match: str = "") -> int:  # noqa: A002
        """Change a ticket; the status of the answer."""
        with self.lock:
            if id not in self.tickets:
                return 404
            if if_match and self.heeds_if_match and if_match != f'"{self.versions[id]}"':
                return 412
            before = self.tickets[id]
            if content_type == "application/merge-patch+json":
                after = json_merge_patch.merge(copy.deepcopy(before), copy.deepcopy(body))
            elif content_type == "application/json-patch+json" and self.knows_json_patch:
                try:
                    after = jsonpatch.apply_patch(before, body)
                except jsonpatch.JsonPatchTestFailed:
                    return 409
                except (jsonpatch.JsonPatchException, jsonpatch.JsonPointerException):
                    return 422
            else:
                return 415
            if self.accepts_only:
                self.accepted.append(lambda: self._keep(id, after))
                return 202
            self._keep(id, after)
            return 200

    def _keep(self, id: str, after: dict[str, Any]) -> None:  # noqa: A002
        known = {note["id"]: note["text"] for note in self.tickets[id].get("note", []) if "id" in note}
        for note in after.get("note", []):
            note.setdefault("id", f"n-{next(self._ids)}")
            note["text"] = self.changed_text(note["text"])
            if self.fixed_notes:
                note["text"] = known.get(note["id"], note["text"])
            if self.longest_kept:
                note["text"] = note["text"][: self.longest_kept]
        self.tickets[id] = after
        self._touched(id)

    def _touched(self, id: str) -> None:  # noqa: A002
        self.versions[id] += 1
        self.tickets[id]["lastUpdate"] = self.now()

    def finish(self) -> None:
        """Do what was only accepted."""
        for work in self.accepted:
            work()
        self.accepted.clear()

    def create(self, body: dict[str, Any]) -> str:
        """Open a ticket as it was sent; its id."""
        id = f"LF-{9000 + next(self._ids)}"  # noqa: A001
        self.open(id, **body)
        return id

    def listed(self, query: dict[str, str]) -> tuple[list[dict[str, Any]], int]:
        """A page, and how many there are in all."""
        with self.lock:
            found = list(self.tickets.values())
            wanted = query.get("filter", "")
            if self.heeds_filter and (key := re.fullmatch(r"externalIdentifier\[\?\(@\.id=='([^']*)'\)\]", wanted)):
                found = [one for one in found if any(i["id"] == key[1] for i in one.get("externalIdentifier", []))]
            if self.heeds_filter and (since := re.fullmatch(r"\$\[\?\(@\.lastUpdate>='([^']*)'\)\]", wanted)):
                found = [one for one in found if one["lastUpdate"] >= since[1]]
            if self.heeds_filter and "lastUpdate.gt" in query:
                found = [one for one in found if one["lastUpdate"] > query["lastUpdate.gt"]]
            if self.heeds_filter and "externalIdentifier.id" in query:
                key_ = query["externalIdentifier.id"]
                found = [one for one in found if any(i["id"] == key_ for i in one.get("externalIdentifier", []))]
            if self.heeds_sort and query.get("sort") == "-lastUpdate":
                found.sort(key=lambda one: one.get("lastUpdate", ""), reverse=True)
            offset = int(query.get("offset", 0))
            page = found[offset : offset + min(int(query.get("limit", 1000)), self.most_at_once)]
            return copy.deepcopy(page), len(found)


class DeskOverHttp(Desk):
    """The same behind HTTP, with everything that can go wrong on the way."""

    def __init__(self) -> None:
        super().__init__()
        self.url = ""
        self.sent: list[Sent] = []
        self.faults: list[Fault] = []
        self.undeclared: frozenset[str] = frozenset()
        #: Called by method and path once the work is done and before it is answered.
        self.meanwhile: Callable[[str, str], None] = nothing
        self.let_go = threading.Event()

    def app(self) -> Flask:
        app = Flask(__name__)
        app.add_url_rule("/<path:_>", view_func=self._serve, methods=["GET", "PATCH", "POST"])
        return app

    def _serve(self, _: str) -> Response:
        # The path as it was sent: one segment stays one segment.
        raw = str(request.environ["RAW_URI"]).partition("?")[0]
        path = raw.removeprefix("/tmf-api/troubleTicket/v5")
        body = json.loads(request.data) if request.data else None
        headers = {name.lower(): value for name, value in request.headers.items()}
        sent = Sent(request.method, path, dict(request.args), headers, body)
        self.sent.append(sent)
        fault = next((one for one in self.faults if one.method == request.method), None)
        if fault is not None:
            self.faults.remove(fault)
            if fault.when == "after":
                self._done(sent)
            return self._failed(fault)
        answer, more = self._done(sent)
        self.meanwhile(sent.method, sent.path)
        return Response(
            b"" if answer is None else json.dumps(answer), sent.status, more, content_type="application/json"
        )

    def _failed(self, fault: Fault) -> Response:
        if fault.how == "hang":
            self.let_go.wait(5)
        if fault.how == "reset":
            request.environ["werkzeug.socket"].shutdown(socket.SHUT_RDWR)
        return Response(fault.body, fault.status, fault.headers)

    def _done(self, sent: Sent) -> tuple[Any, dict[str, str]]:
        """Do the work; the answer and its headers."""
        with self.lock:
            sent.status, sent.answer, headers = self._work(sent)
        return sent.answer, headers

    def _work(self, sent: Sent) -> tuple[int, Any, dict[str, str]]:
        if sent.path == "/troubleTicket":
            if sent.method == "POST":
                if self.accepts_only:
                    self.accepted.append(lambda: self.create(sent.body))
                    return 202, None, {}
                id = self.create(sent.body)  # noqa: A001
                return 201, copy.deepcopy(self.tickets[id]), {}
            page, total = self.listed(sent.query)
            return (
                200,
                page,
                {"X-Total-Count": str(total), "X-Result-Count": str(len(page))} if self.shows_total else {},
            )
        id = unquote(sent.path.removeprefix("/troubleTicket/"))  # noqa: A001
        if id not in self.tickets:
            return 404, {"@type": "Error", "code": "ERR404", "reason": "Not Found"}, {}
        status = 200
        if sent.method == "PATCH":
            status = self.patch(id, sent.headers["content-type"], sent.body, sent.headers.get("if-match", ""))
            if status >= 400:
                return status, {"@type": "Error", "code": f"ERR{status}", "reason": "not now"}, {}
        tag = self.etag_of(id)
        return status, copy.deepcopy(self.tickets[id]), {"ETag": tag} if tag else {}


@contextmanager
def running(desk: DeskOverHttp) -> Iterator[DeskOverHttp]:
    """The desk, answering on a port of this machine."""
    server = make_server("127.0.0.1", 0, desk.app(), threaded=True)
    desk.url = f"http://127.0.0.1:{server.server_port}/tmf-api/troubleTicket/v5"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield desk
    finally:
        desk.let_go.set()
        server.shutdown()
        thread.join()
        server.server_close()
        time.sleep(0)
