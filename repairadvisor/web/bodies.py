"""What comes in and in which form the answer is wanted, before anything is read."""

from __future__ import annotations

from flask import Request
from werkzeug.exceptions import NotAcceptable, UnsupportedMediaType

from repairadvisor.schemas.json_text import read_object

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
