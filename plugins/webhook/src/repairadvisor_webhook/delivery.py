"""One POST to the operator's URL, and what its outcome means: Standard Webhooks 1.0.0, section "Delivery success and
failure"."""

from __future__ import annotations

import re
import ssl
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from http.client import HTTPException
from pathlib import Path
from typing import NoReturn

import requests
from urllib3.exceptions import HTTPError
from urllib3.exceptions import TimeoutError as Urllib3TimeoutError

from repairadvisor.plugin import RemoteRefusedError, RemoteUnavailableError
from repairadvisor_webhook.reach import CheckedAdapter, checked_host, written_address

#: Longest answer that is read, bytes.
LONGEST_ANSWER_BYTES = 64 * 1024
_PIECE_BYTES = 8 * 1024
#: Answers that ask for another attempt, beside all of 500 and above: a request that took too long (RFC 9110, section
#: 15.5.9), one that came too early (RFC 8470, section 5.2), too many of them (RFC 6585, section 4); from memory.
_LATER = (408, 425, 429)
_SECONDS = re.compile(r"[0-9]{1,9}", re.ASCII)


class Endpoint:
    """Where notes go to. Raises :class:`ValueError` for a URL or proxy that cannot be used.

    ``timeout_s`` is how long connecting may take, and then each wait for something of the answer, and then the answer
    as a whole.
    """

    def __init__(
        self,
        *,
        url: str,
        timeout_s: float,
        allow_plain_http: bool,
        allow_private: bool,
        proxy: str | None,
        ca_file: str | None,
    ) -> None:
        self.host = checked_host(url, allow_plain_http=allow_plain_http)
        self._url = url
        self._timeout_s = timeout_s
        # An address that stands in the URL was put there by the operator: it is meant.
        self._allow_private = allow_private or written_address(self.host) is not None
        self._proxy = proxy
        self._verify: str | bool = _checked_ca_file(ca_file) if ca_file else True

    def session(self) -> requests.Session:
        """A new session; close it. Several threads never share one."""
        session = requests.Session()
        session.trust_env = False
        session.verify = self._verify
        session.proxies = {"http": self._proxy, "https": self._proxy} if self._proxy else {}
        session.headers["User-Agent"] = "repairadvisor-webhook"
        session.headers["Accept-Encoding"] = (
            "identity"  # an answer that unpacks to more than it weighs is not asked for
        )
        for scheme in ("http://", "https://"):
            session.mount(scheme, CheckedAdapter(allow_private=self._allow_private))
        return session

    def post(
        self, session: requests.Session, headers: Mapping[str, str], body: bytes, now: datetime, *, read_answer: bool
    ) -> bytes:
        """Returns once the answer is 200 to 299, with its body if that is to be read: whatever follows such a status,
        the event was taken. ``now`` is what a date in ``Retry-After`` is held against.

        Raises :class:`RemoteUnavailableError` where another attempt may do, :class:`RemoteRefusedError` where not. The
        reasons name host and status and nothing of the URL, the headers or the answer.
        """
        try:
            with session.post(
                self._url,
                data=body,
                headers=dict(headers),
                timeout=self._timeout_s,
                allow_redirects=False,
                stream=True,
            ) as answer:
                self._refuse_failure(answer, now)
                return self._read(answer) if read_answer else b""
        except (requests.RequestException, HTTPError, HTTPException, OSError) as error:
            self._unavailable(error)

    def _unavailable(self, error: Exception) -> NoReturn:
        """Without the error as its cause: that one shows the URL."""
        if isinstance(error, requests.Timeout | Urllib3TimeoutError | TimeoutError):
            problem = f"gave no answer within {self._timeout_s:g} s"
        elif isinstance(error, requests.exceptions.SSLError):
            problem = "showed no certificate that is trusted here, or TLS failed"
        elif isinstance(error, requests.exceptions.ProxyError):
            problem = "cannot be reached through the proxy"
        else:
            problem = f"cannot be reached, or broke off ({type(error).__name__})"
        raise RemoteUnavailableError(f"{self.host} {problem}") from None

    def _refuse_failure(self, answer: requests.Response, now: datetime) -> None:
        status = answer.status_code
        if 200 <= status < 300:
            return
        if status in _LATER or status >= 500:
            wait_s = retry_after_s(answer.headers.get("Retry-After"), now)
            raise RemoteUnavailableError(f"{self.host} answers {status}", wait_s)
        meaning = ""
        if 300 <= status < 400:
            meaning = ": another address, which is not followed; the setting url has to be changed"
        elif status == 410:
            meaning = ": it wants no more webhooks from here"
        raise RemoteRefusedError(f"{self.host} answers {status}{meaning}")

    def _read(self, answer: requests.Response) -> bytes:
        """The answer, up to its limit in bytes and time."""
        until = time.monotonic() + self._timeout_s
        read = b""
        while piece := answer.raw.read1(_PIECE_BYTES, decode_content=False):
            read += piece
            if len(read) > LONGEST_ANSWER_BYTES:
                raise RemoteRefusedError(f"{self.host} answers more than {LONGEST_ANSWER_BYTES} bytes")
            if time.monotonic() > until:
                raise RemoteUnavailableError(f"{self.host} did not end its answer within {self._timeout_s:g} s")
        return read


def _checked_ca_file(name: str) -> str:
    """``name`` as it is. Without this look at the start each attempt would fail as if the other side were down."""
    allowed = "allowed: the absolute path of a PEM file of certificates"
    if not Path(name).is_absolute():
        raise ValueError(f"ca_file = {name}: {allowed}")
    try:
        ssl.create_default_context(cafile=name)
    except OSError:  # SSLError is one
        raise ValueError(f"ca_file = {name}: cannot be read as such; {allowed}") from None
    return name


def retry_after_s(value: str | None, now: datetime) -> float | None:
    """The wait that a ``Retry-After`` asks for, s: RFC 9110, section 10.2.3, from memory. None where it asks for none
    that can be read; 0 for a moment that is past."""
    text = (value or "").strip()
    if _SECONDS.fullmatch(text):
        return float(text)
    try:
        moment = parsedate_to_datetime(text)
    except ValueError:
        return None
    if moment.tzinfo is None:  # "-0000": UTC, of no zone that is told
        moment = moment.replace(tzinfo=UTC)
    return max(0.0, (moment - now).total_seconds())
