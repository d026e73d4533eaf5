"""What comes in and in which form the answer is wanted, before anything is read."""

from __future__ import annotations

import gzip
import re

from flask import Request, Response
from werkzeug.exceptions import BadRequest, NotAcceptable, UnsupportedMediaType

from repairadvisor.schemas.json_text import read_object

#: An idempotency key in quotes, or without them.
KEY_PATTERN = r'"([ !#-\[\]-~]{1,200})"|([!#-+\--:<-~]{1,200})'
_KEY = re.compile(KEY_PATTERN)

JSON, TEXT, HTML = "application/json", "text/plain", "text/html"


def wanted(request: Request, forms: tuple[str, ...]) -> str:
    """The one of ``forms`` that the asker likes best; the first where all are alike. Else 406."""
    header = request.headers.get("Accept", "")
    if header in forms:
        return header
    accept = request.accept_mimetypes
    if not accept:
        return forms[0]
    best = accept.best_match(forms)
    if best is None or accept.quality(best) <= 0:
        raise NotAcceptable(f"There is {', '.join(forms)}.")
    return best


def packed(response: Response, request: Request) -> Response:
    """A long page, packed for whoever can unpack it: rules are text that says much alike."""
    response.headers["Vary"] = "Accept, Accept-Encoding"
    if request.accept_encodings.quality("gzip") > 0:
        response.set_data(gzip.compress(response.get_data(), mtime=0))
        response.headers["Content-Encoding"] = "gzip"
    return response


def refuse_packed(request: Request) -> None:
    """415 for a body that would have to be unpacked first: how long it is then nobody knows."""
    if request.headers.get("Content-Encoding", "identity").strip().lower() not in ("identity", ""):
        raise UnsupportedMediaType("The body has to be sent as it is, without a Content-Encoding.")


def json_object(request: Request) -> dict[str, object]:
    """The JSON object that was sent. 415, 413 or :class:`NotJsonError`."""
    if request.mimetype != JSON or request.mimetype_params.get("charset", "utf-8").lower() not in ("utf-8", "utf8"):
        raise UnsupportedMediaType("The body has to be application/json in UTF-8.")
    refuse_packed(request)
    return read_object(request.get_data(cache=False))


def idempotency_key(request: Request) -> str:
    """The key under which something is asked once, or "" without one. 400 where it is none.

    As in the IETF draft "The Idempotency-Key HTTP Header Field" (draft-ietf-httpapi-idempotency-key-header, from
    memory) it is a string in quotes; many senders leave those out, and mean the same.
    """
    header = request.headers.get("Idempotency-Key")
    if header is None:
        return ""
    key = _KEY.fullmatch(header.strip())
    if key is None:
        raise BadRequest("An Idempotency-Key is 1 to 200 printable ASCII characters, in quotes.")
    return key[1] if key[1] is not None else key[2]
