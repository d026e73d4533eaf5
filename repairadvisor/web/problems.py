"""Every error as a problem by RFC 9457, in one shape, whichever route it comes from."""

from __future__ import annotations

from dataclasses import dataclass

import orjson
from flask import Flask, Response, current_app
from werkzeug.exceptions import HTTPException, MethodNotAllowed

from repairadvisor.errors import (
    ConflictError,
    EventRefusedError,
    Fault,
    InputError,
    KeyReusedError,
    NotFoundError,
)
from repairadvisor.schemas.json_text import LONGEST, NotJsonError
from repairadvisor.schemas.problem import problem
from repairadvisor.store.database import RecordsError

MEDIA_TYPE = "application/problem+json"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem: its slug, status, title, and what to do about it."""

    slug: str
    status: int
    title: str
    what_to_do: str


KINDS: dict[str, Kind] = {
    kind.slug: kind
    for kind in (
        Kind(
            "not-json",
            400,
            "The body is not one JSON object",
            "Send one JSON object in UTF-8; the fault says where it breaks.",
        ),
        Kind("empty", 400, "The body is empty", "Send one JSON object in UTF-8."),
        Kind("not-utf-8", 400, "The body is not UTF-8", "Send JSON in UTF-8, without a byte order mark."),
        Kind("not-an-object", 400, "The body is JSON but not an object", "Put what you ask into one JSON object."),
        Kind("not-finite", 400, "A number cannot be held", "JSON knows digits only, and numbers up to about 1.8e308."),
        Kind(
            "name-twice",
            400,
            "A name stands twice in one object",
            "Say each thing once; several reports of a fact go into a list.",
        ),
        Kind("control-character", 400, "A text holds a control character", "Send printable text only."),
        Kind("too-deep", 400, "The body is nested too deeply", "A request needs five levels."),
        Kind("bad-request", 400, "The request cannot be understood", "Send a well-formed HTTP request."),
        Kind(
            "cross-site",
            403,
            "This was sent by a page of another site",
            "Open the form here and send it from here; a program sends no Origin header.",
        ),
        Kind(
            "event-refused",
            403,
            "The event's sender cannot be shown to be the one we know",
            "Sign the event as its source has agreed; nothing of it was kept.",
        ),
        Kind("not-found", 404, "There is nothing here", "/openapi.json lists what is here."),
        Kind("method-not-allowed", 405, "This method is not known here", "The Allow header names those that are."),
        Kind("not-acceptable", 406, "None of the wanted forms can be given", "The detail names the forms there are."),
        Kind("conflict", 409, "This does not go with how things stand", "The detail says how they stand."),
        Kind("too-large", 413, "The body is too large", f"A request may hold up to {LONGEST} bytes."),
        Kind("wrong-media-type", 415, "The body is of the wrong media type", "Say Content-Type: application/json."),
        Kind(
            "wrong-host",
            421,
            "The Host header names another machine",
            "Ask under the address that was printed when the service started.",
        ),
        Kind(
            "input",
            422,
            "The facts cannot be used",
            "Change what each fault names; nothing was clipped, guessed or stored.",
        ),
        Kind(
            "key-reused",
            422,
            "Something else was asked before under this idempotency key",
            "Take a new key for each thing that is asked; send the same only to have the same answered again.",
        ),
        Kind("http", 400, "The request cannot be answered", "See the status."),
        Kind(
            "records",
            503,
            "The records cannot be used now",
            'Nothing was kept. Try again, or say "record": false: then advice is given without being kept.',
        ),
        Kind("internal", 500, "Something is wrong with this service", "Try again; if it stays, tell whoever runs it."),
    )
}
_SLUG_OF_STATUS = {
    403: "cross-site",
    404: "not-found",
    405: "method-not-allowed",
    406: "not-acceptable",
    413: "too-large",
    415: "wrong-media-type",
    421: "wrong-host",
    500: "internal",
    400: "bad-request",
}


def install(app: Flask) -> None:
    """Have every error of ``app`` answered as a problem."""
    app.register_error_handler(HTTPException, _of_http)
    app.register_error_handler(NotJsonError, _of_text)
    app.register_error_handler(InputError, _of_input)
    app.register_error_handler(NotFoundError, _of_missing)
    app.register_error_handler(RecordsError, _of_records)
    app.register_error_handler(EventRefusedError, _as_it_says)
    app.register_error_handler(ConflictError, _as_it_says)
    app.register_error_handler(KeyReusedError, _as_it_says)


def _of_http(error: HTTPException) -> Response:
    status = error.code or 500
    kind = KINDS[_SLUG_OF_STATUS.get(status, "http" if status < 500 else "internal")]
    # An unhandled error arrives here wrapped; what it says is for the log, not for whoever asked.
    detail = str(error.description or "") if status < 500 else ""
    response = _answer(kind, detail or kind.what_to_do, status=status)
    if isinstance(error, MethodNotAllowed) and error.valid_methods:
        response.headers["Allow"] = ", ".join(sorted(error.valid_methods))
    if status == 415:
        response.headers["Accept-Post"] = "application/json"
    return response


def _of_text(error: NotJsonError) -> Response:
    return _answer(KINDS[error.faults[0].slug], str(error), faults=error.faults)


def _of_input(error: InputError) -> Response:
    count = len(error.faults)
    detail = "One thing is wrong." if count == 1 else f"{count} things are wrong."
    return _answer(KINDS["input"], detail, faults=error.faults, cautions=error.cautions)


def _of_missing(error: NotFoundError) -> Response:
    return _answer(KINDS["not-found"], f"There is no {error.what} under this name.")


def _as_it_says(error: EventRefusedError | ConflictError | KeyReusedError) -> Response:
    return _answer(KINDS[error.slug], str(error))


def _of_records(error: RecordsError) -> Response:
    current_app.logger.error("%s", error, exc_info=error)
    return _answer(KINDS["records"], KINDS["records"].what_to_do)


def document_of_status(status: int, detail: str) -> bytes:
    """The problem, as JSON, of a request that was refused before it reached the application."""
    kind = KINDS[_SLUG_OF_STATUS.get(status, "http")]
    return orjson.dumps(problem(kind.slug, kind.title, status, detail if status != 500 else kind.what_to_do))


def _answer(
    kind: Kind,
    detail: str,
    *,
    status: int | None = None,
    faults: tuple[Fault, ...] = (),
    cautions: tuple[str, ...] = (),
) -> Response:
    code = status or kind.status
    body = orjson.dumps(problem(kind.slug, kind.title, code, detail, faults, cautions))
    return Response(body, status=code, mimetype=MEDIA_TYPE)
