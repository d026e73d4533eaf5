"""The other side as a receiver, over HTTP on loopback: a ticket system that does what consumers are told to do.

It verifies what it is sent with ``hmac`` of the standard library, keeps each ``webhook-id`` and does nothing twice for
one that it has had: Standard Webhooks 1.0.0, section "Verifying signatures".
"""

import hmac
import json
import threading
import time
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from webhook_sender import SECRET, v1


class Receiver:
    """``answers``: what to answer instead, the first to the first request: (status, headers, body), or a function of
    the handler. ``requests``: all that came, as (path, headers with small names, body)."""

    def __init__(self):
        self.requests = []
        self.answers = []
        self.notes = {}
        self.opened = {}
        self.answered = {}
        self.url = ""

    def written(self):
        return [text for notes in self.notes.values() for text in notes.values()]

    def take(self, headers, body):
        message_id, stamp = headers["webhook-id"], headers["webhook-timestamp"]
        expected = v1(SECRET, message_id, stamp, body)
        if not any(hmac.compare_digest(expected, one) for one in headers["webhook-signature"].split(" ")):
            return 401, {}, b""
        if abs(time.time() - int(stamp)) > 300:
            return 401, {}, b""
        if message_id not in self.answered:
            self.answered[message_id] = self._do(json.loads(body))
        return self.answered[message_id]

    def _do(self, event):
        data = event["data"]
        if event["type"] == "follow_up.owed":
            ticket = f"LF-{9000 + len(self.opened)}"
            self.opened[ticket] = data
            return 200, {"Content-Type": "application/json"}, json.dumps({"ticket": ticket}).encode()
        notes = self.notes.setdefault(data["ticket"], {})
        if event["type"] == "advice.note.rewritten" and data["note"] not in notes:
            return 409, {}, b""
        notes[data["note"]] = data["text"]
        return 204, {}, b""


@contextmanager
def receiving(tls=None):
    """A :class:`Receiver` that listens on loopback; ``tls``: an ``ssl.SSLContext`` to do so over TLS."""
    receiver = Receiver()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self):
            body = self.rfile.read(int(self.headers["Content-Length"]))
            headers = {name.lower(): value for name, value in self.headers.items()}
            receiver.requests.append((self.path, headers, body))
            answer = receiver.answers.pop(0) if receiver.answers else receiver.take(headers, body)
            if callable(answer):
                answer(self)
                return
            status, extra, content = answer
            self.send_response(status)
            for name, value in extra.items():
                self.send_header(name, value)
            if status != 204:
                self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *args):
            """Nothing: the tests look at what was received."""

    class Server(ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, request, client_address):
            """Nothing: some tests break the connection off on purpose."""

    server = Server(("127.0.0.1", 0), Handler)
    scheme, host = "http", "127.0.0.1"
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
        scheme, host = "https", "localhost"
    receiver.port = server.server_address[1]
    receiver.url = f"{scheme}://{host}:{receiver.port}/hooks/advice"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        server.server_close()
        thread.join(5)
