"""One question to the desk over HTTP, and its answer.

Nothing here waits for ever, follows a redirect, takes an answer of any size, or tells the token to anybody.
"""

from __future__ import annotations

import json
import time
from typing import Any
from urllib.parse import urlsplit

import requests
import urllib3
from marshmallow import ValidationError

from repairadvisor.plugin import RemoteRefusedError, RemoteUnavailableError

#: Longest answer that is read, bytes.
LONGEST_ANSWER = 4 * 1024 * 1024
_AT_ONCE = 64 * 1024
#: What may be another answer tomorrow; all other refusals stay (RFC 9110, section 15; RFC 6585, section 4).
_PASSING = frozenset({408, 425, 429})
_ON_THIS_MACHINE = frozenset({"127.0.0.1", "::1", "localhost"})


def check_url(url: str) -> None:
    """Raises :class:`marshmallow.ValidationError` for an address to which a token should not be sent."""
    try:
        parts = urlsplit(url)
        host = parts.hostname
    except ValueError as error:
        raise ValidationError("is no address") from error
    safe = parts.scheme == "https" or (parts.scheme == "http" and host in _ON_THIS_MACHINE)
    if not host or not safe or "@" in parts.netloc or parts.query or parts.fragment:
        raise ValidationError("is no https:// address without user, query and fragment (http:// on this machine only)")


class Desk:
    """The desk's JSON over HTTP."""

    def __init__(self, url: str, token: str, timeout_s: float) -> None:
        self._url = url.rstrip("/")
        self._token = token
        self._timeout_s = timeout_s

    def ask(self, method: str, path: str, body: object = None, **query: int) -> Any:
        """The answer to a question; None where it has no content.

        Raises :class:`~repairadvisor.errors.RemoteUnavailableError` or
        :class:`~repairadvisor.errors.RemoteRefusedError`.
        """
        try:
            with requests.Session() as session:
                session.trust_env = False  # no proxy and no password from the environment
                with session.request(
                    method,
                    self._url + path,
                    json=body,
                    params=query,
                    headers={
                        "Authorization": f"Bearer {self._token}",
                        "Accept": "application/json",
                        "Accept-Encoding": "identity",  # so that the size that is limited is the size that is read
                    },
                    timeout=self._timeout_s,
                    allow_redirects=False,
                    stream=True,
                ) as answer:
                    _check_status(answer)
                    return self._content(answer)
        except (requests.RequestException, urllib3.exceptions.HTTPError) as error:
            # Its text may hold anything that was sent.
            raise RemoteUnavailableError(f"the desk could not be asked: {type(error).__name__}") from error

    def _content(self, answer: requests.Response) -> Any:
        """The JSON of an answer, read within the time and the size that are allowed."""
        until = time.monotonic() + self._timeout_s
        raw = b""
        # read1 gives what is there: a loop over pieces of a size would wait for each to be full, byte by byte.
        while piece := answer.raw.read1(_AT_ONCE):
            raw += piece
            if len(raw) > LONGEST_ANSWER:
                raise RemoteRefusedError(f"the desk's answer is longer than {LONGEST_ANSWER} bytes")
            if time.monotonic() > until:
                raise RemoteUnavailableError(f"the desk's answer took longer than {self._timeout_s:g} s")
        if not raw:
            return None
        try:
            return json.loads(raw)
        except (ValueError, RecursionError) as error:
            raise RemoteUnavailableError("the desk's answer is no JSON") from error


def _check_status(answer: requests.Response) -> None:
    status = answer.status_code
    if 200 <= status < 300:
        return
    if status >= 500 or status in _PASSING:
        raise RemoteUnavailableError(f"the desk answered {status}", _retry_after_s(answer))
    raise RemoteRefusedError(f"the desk answered {status}")


def _retry_after_s(answer: requests.Response) -> float | None:
    """The wait that was asked for, s (RFC 9110, section 10.2.3); a date instead is not understood."""
    given = answer.headers.get("Retry-After", "").strip()
    return float(given) if given.isascii() and given.isdigit() and len(given) < 7 else None
