"""Web applications that do nothing but read a body and write one, and a way of calling any of them in process."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO
from typing import Any

import orjson
from flask import Flask, Response, request
from werkzeug.test import EnvironBuilder

PATH = "/v1/advice"


def bare_echo(answer: bytes) -> Flask:
    """Reads the body with orjson and writes ``answer``, from what it holds, with orjson."""
    app = Flask("bare_echo")
    held = orjson.loads(answer)

    @app.post(PATH)
    def echo() -> Response:
        orjson.loads(request.get_data())
        return Response(orjson.dumps(held), mimetype="application/json")

    return app


def stock_echo(answer: bytes) -> Flask:
    """The same with Flask's own JSON."""
    app = Flask("stock_echo")
    held = orjson.loads(answer)

    @app.post(PATH)
    def echo() -> dict[str, Any]:
        request.get_json()
        return held

    return app


def asking(app: Flask, body: bytes) -> Callable[[], bytes]:
    """What posts a body to an application by calling it as a server would, and gives the answer. Raises RuntimeError
    for any answer but 200."""
    builder = EnvironBuilder(path=PATH, method="POST", data=body, content_type="application/json")
    environ = builder.get_environ()
    builder.close()

    def ask() -> bytes:
        said: list[str] = []

        def start_response(status: str, headers: object, exc_info: object = None) -> Callable[[bytes], None]:
            said.append(status)
            return lambda _: None

        parts = app.wsgi_app({**environ, "wsgi.input": BytesIO(body)}, start_response)
        try:
            answer = b"".join(parts)
        finally:
            parts.close()
        if said != ["200 OK"]:
            raise RuntimeError(f"{app.name} answered {said}: {answer[:500]!r}")
        return answer

    return ask
