"""Asking another server for one document: within a time, up to a size, and not twice within a short while."""

from __future__ import annotations

import threading
import time
import weakref
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlsplit

import requests
import urllib3
from cachetools import TTLCache

from repairadvisor.plugin import RemoteRefusedError, RemoteUnavailableError

MOST_BYTES = 1024 * 1024
_MOST_KEPT_BYTES = 32 * MOST_BYTES
_CHUNK = 65536
#: So long a failure is remembered: long enough that a server that is down does not hold up every ticket in turn, short
#: enough to notice that it is back.
_KEEP_FAILURE_S = 10.0
_MOST_WAIT_S = 86400
_AGAIN_LATER = (408, 425, 429)

Clock = Callable[[], float]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a server said ("": nothing) and the moment for which it was asked."""

    text: str
    asked_at: datetime


class Deadline:
    """The time that may pass until all that one ticket needs is there."""

    def __init__(self, timeout_s: float, clock: Clock = time.monotonic) -> None:
        self._timeout_s = timeout_s
        self._clock = clock
        self._ends = clock() + timeout_s

    def left_s(self) -> float:
        """Seconds that are left. Raises :class:`RemoteUnavailableError` where none are."""
        left = self._ends - self._clock()
        if left <= 0:
            raise RemoteUnavailableError(f"no whole answer within {self._timeout_s:g} s")
        return left


class Remote:
    """Documents of other servers. Safe to use from several threads: of those that want the same document at the same
    time one asks, and the others wait for it."""

    def __init__(
        self, headers: Mapping[str, str], proxy: str | None, keep_s: float, clock: Clock = time.monotonic
    ) -> None:
        self._headers = dict(headers)
        self._proxies = {"http": proxy, "https": proxy} if proxy else {}
        self._keeps = keep_s > 0
        self._guard = threading.Lock()
        self._asking: weakref.WeakValueDictionary[str, _Turn] = weakref.WeakValueDictionary()
        self._answers: TTLCache[str, Answer] = TTLCache(_MOST_KEPT_BYTES, keep_s, clock, _size)
        self._failures: TTLCache[str, Exception] = TTLCache(1024, min(keep_s, _KEEP_FAILURE_S), clock)

    def get(self, url: str, params: Mapping[str, str], key: str, now: datetime, deadline: Deadline) -> Answer:
        """The document, fresh or at most ``keep_s`` old; ``key`` names it among others.

        Raises :class:`RemoteUnavailableError` or :class:`RemoteRefusedError`, without address and headers: they may
        hold secrets.
        """
        with self._guard:
            turn = self._asking.setdefault(key, _Turn())
        if not turn.lock.acquire(timeout=deadline.left_s()):
            deadline.left_s()
            raise RemoteUnavailableError("another request for the same is still under way")
        try:
            kept = self._kept(key)
            if kept is not None:
                return kept
            return self._ask_and_keep(url, params, key, now, deadline)
        finally:
            turn.lock.release()

    def _kept(self, key: str) -> Answer | None:
        with self._guard:
            failure = self._failures.get(key)
            answer = self._answers.get(key)
        if failure is not None:
            # A new one each time: what is raised gathers the traceback of whoever raises it.
            raise _again(failure)
        return answer

    def _ask_and_keep(self, url: str, params: Mapping[str, str], key: str, now: datetime, deadline: Deadline) -> Answer:
        try:
            answer = Answer(self._ask(url, params, deadline), now)
        except (RemoteUnavailableError, RemoteRefusedError) as error:
            if self._keeps:
                with self._guard:
                    self._failures[key] = error
            raise
        if self._keeps:
            with self._guard:
                self._answers[key] = answer
        return answer

    def _ask(self, url: str, params: Mapping[str, str], deadline: Deadline) -> str:
        host = urlsplit(url).hostname or ""
        left_s = deadline.left_s()
        try:
            # A session of its own: requests does not promise that one can be shared between threads.
            with requests.Session() as session:
                session.trust_env = False
                session.proxies.update({name: one for name, one in self._proxies.items() if one})
                with session.get(
                    url,
                    params=dict(params),
                    headers={"User-Agent": "repairadvisor-weather", "Accept-Encoding": "identity", **self._headers},
                    timeout=urllib3.Timeout(total=left_s),  # type: ignore[arg-type]
                    allow_redirects=False,
                    stream=True,
                ) as response:
                    _refuse(response, host)
                    return _read(response, deadline, host)
        except (requests.RequestException, urllib3.exceptions.HTTPError, OSError) as error:
            # Not chained: what the library says holds the whole address.
            raise RemoteUnavailableError(f"{host} cannot be asked: {type(error).__name__}") from None


class _Turn:
    """Whose turn it is to ask for one document."""

    def __init__(self) -> None:
        self.lock = threading.Lock()


def _again(failure: Exception) -> Exception:
    if isinstance(failure, RemoteUnavailableError):
        return RemoteUnavailableError(str(failure), failure.retry_after_s)
    return RemoteRefusedError(str(failure))


def _size(answer: Answer) -> int:
    return len(answer.text) + 1


def _refuse(response: requests.Response, host: str) -> None:
    status = response.status_code
    if status in (200, 204):
        return
    if status in _AGAIN_LATER or status >= 500:
        raise RemoteUnavailableError(f"{host} answers {status}", _retry_after_s(response))
    if 300 <= status < 400:
        raise RemoteRefusedError(f"{host} answers {status}, a redirect, and none is followed")
    raise RemoteRefusedError(f"{host} answers {status}")


def _retry_after_s(response: requests.Response) -> float | None:
    said = response.headers.get("Retry-After", "")
    return float(min(int(said), _MOST_WAIT_S)) if said.isascii() and said.isdigit() and len(said) < 10 else None


def _read(response: requests.Response, deadline: Deadline, host: str) -> str:
    """The body, as it comes: a server that drips is cut off by the deadline and not by each drop."""
    body = bytearray()
    while chunk := response.raw.read1(_CHUNK, decode_content=True):
        body += chunk
        if len(body) > MOST_BYTES:
            raise RemoteUnavailableError(f"{host} answers with more than {MOST_BYTES} bytes")
        deadline.left_s()
    try:
        return body.decode("utf-8")
    except UnicodeDecodeError:
        raise RemoteUnavailableError(f"{host} answers with what is no UTF-8") from None
