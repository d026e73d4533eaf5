"""Whom a request is meant for, and which site it comes from.

There is no access control: whoever can send a request can read and write everything. The socket keeps other machines
out; this keeps out the pages of other sites that are open in a browser on this one.
"""

from __future__ import annotations

import re

from flask import request
from werkzeug.exceptions import BadRequest, Forbidden, MisdirectedRequest

from repairadvisor.settings import HIGHEST_PORT, is_loopback

_HOST = re.compile(r"(?:\[([0-9A-Fa-f:.]+)\]|([0-9A-Za-z.-]+))(?::([0-9]{1,5}))?")
_HTTP_PORT = "80"
_ONLY_READ = ("GET", "HEAD", "OPTIONS")


def refuse_strangers() -> None:
    """Before each request: 400, 421 or 403 for what this machine's own browser or program would not send."""
    _refuse_other_hosts(request.headers.get("Host", ""), request.environ.get("SERVER_PORT", ""))
    if request.method not in _ONLY_READ:
        _refuse_other_sites(request.headers.get("Origin"))


def _refuse_other_hosts(host: str, listening: str) -> None:
    """Refuse a name that is not this machine's own.

    Whoever owns a name can make it lead to this machine's loopback address; to a browser the answers then belong to
    the site of that name, and its scripts may read them.
    """
    named = _HOST.fullmatch(host)
    if named is None or int(named[3] or _HTTP_PORT) > HIGHEST_PORT:
        raise BadRequest("The Host header has to name one host, once.")
    if not is_loopback((named[1] or named[2]).lower()) or int(named[3] or _HTTP_PORT) != int(listening):
        raise MisdirectedRequest(f"Only localhost and loopback addresses with port {listening} are answered here.")


def _refuse_other_sites(origin: str | None) -> None:
    """A page of another site must not be able to leave records here in a reader's name."""
    if origin is not None and origin.lower() != f"{request.scheme}://{request.headers['Host']}".lower():
        raise Forbidden("The request was sent by a page of another site.")
