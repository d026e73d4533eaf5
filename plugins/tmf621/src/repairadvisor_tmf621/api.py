"""The only place that asks the other side. See :mod:`.outcome` for what its answers mean."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from ipaddress import ip_address
from pathlib import Path
from typing import Any, TypedDict
from urllib.parse import quote, urlsplit

import requests
from requests.auth import HTTPBasicAuth
from urllib3.exceptions import HTTPError

from repairadvisor.plugin import RemoteRefusedError, RemoteUnavailableError
from repairadvisor_tmf621.outcome import CONFLICTS, TEST_CONFLICTS, judge, reason_of

#: A ticket as JSON.
Document = dict[str, Any]

_STEP_BYTES = 65_536
_STRONG_ETAG = re.compile(r'"[\x21\x23-\x7e\x80-\xff]*"')


class ApiWords(TypedDict, total=False):
    """The settings of :class:`~.settings.ApiSettings` beside ``url``, by name."""

    token: str
    user: str
    password: str
    verify: str
    proxy: str
    timeout_s: float
    longest_answer_bytes: int
    page_size: int
    most_pages: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: status, JSON (None where there was none), and headers that matter."""

    status: int
    content: Any
    etag: str
    total: int | None


class TroubleTicketApi:
    """Asks the Trouble Ticket API at ``url``, which ends where ``/troubleTicket`` begins.

    Every question has a timeout, verifies TLS, follows no redirect, takes no proxy or password from the environment and
    refuses an answer that is longer than ``longest_answer_bytes``. Raises :class:`ValueError` where settings do not go
    together.
    """

    def __init__(
        self,
        *,
        url: str,
        token: str = "",
        user: str = "",
        password: str = "",
        verify: str = "",
        proxy: str = "",
        timeout_s: float = 15.0,
        longest_answer_bytes: int = 16_777_216,
        page_size: int = 100,
        most_pages: int = 500,
    ) -> None:
        _check_url(url)
        _check_login(token, user, password)
        if verify and not Path(verify).is_file():
            raise ValueError(f"verify = {verify}: is no file; allowed: a file of CA certificates (PEM)")
        self.page_size = page_size
        self.most_pages = most_pages
        self._url = url.rstrip("/")
        self._token = token
        self._login = HTTPBasicAuth(user.encode(), password.encode()) if user else None
        self._secrets = tuple(one for one in (token, password) if one)
        self._verify: str | bool = verify or True
        self._proxies = {"http": proxy, "https": proxy} if proxy else {}
        self._timeout_s = timeout_s
        self._longest = longest_answer_bytes

    def ticket(self, reference: str) -> tuple[Document, str]:
        """A ticket as it stands now, and its strong ETag or ""."""
        answer = self._ask("GET", _path_of(reference))
        ticket = _document(answer, f"ticket {reference}")
        if ticket.get("id") != reference:
            raise RemoteUnavailableError(f"ticket {reference}: the answer is another ticket")
        return ticket, answer.etag

    def page(self, query: Mapping[str, str]) -> tuple[list[Document], int | None]:
        """One page of the list of tickets, and how many there are in all where the other side says so."""
        answer = self._ask("GET", "/troubleTicket", query=query)
        tickets = answer.content
        if not isinstance(tickets, list) or not all(_is_ticket(one) for one in tickets):
            raise RemoteUnavailableError("the list of tickets: the answer is no list of tickets")
        return tickets, answer.total

    def patch(self, reference: str, content: object, content_type: str, etag: str, *, has_test: bool = False) -> bool:
        """Change a ticket, only in the state of ``etag`` if there is one. False: accepted (202), and done later.

        Raises :class:`~.outcome.ChangedMeanwhileError` where the ticket is no longer in that state, or, with
        ``has_test``, where a test in the patch may have failed.
        """
        headers = {"Content-Type": content_type} | ({"If-Match": etag} if etag else {})
        conflicts = TEST_CONFLICTS if has_test else CONFLICTS
        answer = self._ask("PATCH", _path_of(reference), headers=headers, content=content, conflicts=conflicts)
        return answer.status != 202

    def create(self, content: Document) -> str | None:
        """Open a ticket; its reference. None: accepted (202), and opened later."""
        answer = self._ask("POST", "/troubleTicket", headers={"Content-Type": "application/json"}, content=content)
        if answer.status == 202:
            return None
        reference = _document(answer, "a new ticket").get("id")
        if not isinstance(reference, str) or not reference:
            raise RemoteUnavailableError("a new ticket: the answer gives it no id")
        return reference

    def _ask(
        self,
        method: str,
        path: str,
        *,
        query: Mapping[str, str] | None = None,
        headers: Mapping[str, str] | None = None,
        content: object = None,
        conflicts: frozenset[int] = CONFLICTS,
    ) -> Answer:
        asked = f"{method} {path}"
        sent = {"Accept": "application/json", "Accept-Encoding": "identity", **(headers or {})}
        if self._token:
            sent["Authorization"] = f"Bearer {self._token}"
        body = None if content is None else json.dumps(content).encode("ascii")
        try:
            # One session a question: no cookie and no half-closed connection outlives it.
            with requests.Session() as session:
                session.trust_env = False
                session.proxies = dict(self._proxies)
                with session.request(
                    method,
                    self._url + path,
                    params=dict(query or {}),
                    headers=sent,
                    data=body,
                    auth=self._login,
                    timeout=self._timeout_s,
                    allow_redirects=False,
                    stream=True,
                    verify=self._verify,
                ) as response:
                    raw = self._read(response, asked)
        except (requests.RequestException, HTTPError, OSError) as error:
            # The error's own text may hold the whole address, with all that stands in it.
            raise RemoteUnavailableError(f"{asked}: no answer ({type(error).__name__})") from error
        return self._answer(response, raw, asked, conflicts)

    def _read(self, response: requests.Response, asked: str) -> bytes:
        """The whole body, unless it is too long or drips too slowly."""
        end = time.monotonic() + self._timeout_s
        parts: list[bytes] = []
        length = 0
        while part := response.raw.read1(_STEP_BYTES, decode_content=True):
            length += len(part)
            if length > self._longest:
                problem = f"{asked}: the answer is longer than longest_answer_bytes = {self._longest} bytes"
                # What was asked for has been done, or not: an answer to a write may be too long after the write.
                raise RemoteUnavailableError(problem)
            if time.monotonic() > end:
                raise RemoteUnavailableError(f"{asked}: the answer takes longer than timeout_s = {self._timeout_s:g} s")
            parts.append(part)
        return b"".join(parts)

    def _answer(self, response: requests.Response, raw: bytes, asked: str, conflicts: frozenset[int]) -> Answer:
        content, is_json = _json(raw)
        reason = reason_of(content, self._secrets)
        judge(response.status_code, asked, reason, response.headers, datetime.now(UTC), conflicts)
        if not is_json and response.status_code not in (202, 204):
            raise RemoteUnavailableError(f"{asked}: the answer is no JSON")
        etag = response.headers.get("ETag", "")
        total = response.headers.get("X-Total-Count", "")
        return Answer(
            response.status_code,
            content,
            # RFC 9110 section 13.1.1 (from memory): If-Match compares strongly, so a weak tag matches nothing ever.
            etag if _STRONG_ETAG.fullmatch(etag) else "",
            int(total) if re.fullmatch(r"[0-9]{1,9}", total) else None,
        )


def _check_url(url: str) -> None:
    allowed = "allowed: https://host/path without user, query and fragment (http:// to this machine only)"
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname or "", parts.port
    except ValueError:
        parts, host = None, ""
    if parts is None or not host or parts.scheme not in ("http", "https"):
        raise ValueError(f"url: is no address of an API; {allowed}")
    if parts.username is not None or parts.query or parts.fragment:
        raise ValueError(f"url: has more in it than an address; {allowed}")
    if parts.scheme == "http" and not _is_this_machine(host):
        raise ValueError(f"url: would send tickets and tokens in the clear; {allowed}")


def _is_this_machine(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def _check_login(token: str, user: str, password: str) -> None:
    if token and (user or password):
        raise ValueError("token: stands beside user or password; allowed: one or the other")
    if bool(user) != bool(password):
        raise ValueError("user and password: go together")
    if not (token.isascii() and token.isprintable()) or " " in token:
        raise ValueError("token: is no token; allowed: printable ASCII characters without a space")
    if ":" in user:
        raise ValueError("user: has a colon in it, which HTTP uses to end it")


def _path_of(reference: str) -> str:
    """Where a ticket is. A reference is one segment of the path, whatever stands in it."""
    if reference in ("", ".", ".."):
        raise RemoteRefusedError(f"ticket {reference!r}: is no id that an address can hold")
    try:
        return f"/troubleTicket/{quote(reference, safe='')}"
    except UnicodeEncodeError as error:
        raise RemoteRefusedError("a ticket's id has characters that are none") from error


def _json(raw: bytes) -> tuple[Any, bool]:
    try:
        return json.loads(raw, parse_constant=_no_number), True
    except (ValueError, RecursionError):  # bad UTF-8 is a ValueError as well
        return None, False


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number")


def _is_ticket(one: object) -> bool:
    return isinstance(one, dict) and isinstance(one.get("id"), str) and one["id"] != ""


def _document(answer: Answer, what: str) -> Document:
    if not isinstance(answer.content, dict):
        raise RemoteUnavailableError(f"{what}: the answer is no ticket")
    return answer.content
