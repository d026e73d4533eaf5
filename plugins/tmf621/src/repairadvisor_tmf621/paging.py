"""All tickets of a list that changes while it is read, page by page.

``offset`` and ``limit`` count places, not tickets: where one leaves the list in front of the place that has been
reached, the next one slips through. So each page begins with the last ticket of the one before. If no ticket that was
seen comes first, something slipped, and reading begins anew. Tickets that enter push others back, which come twice and
are kept once; the new one comes with the next reading.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from repairadvisor.plugin import RemoteUnavailableError
from repairadvisor_tmf621.api import Document, TroubleTicketApi

_READINGS = 3


class _SlippedError(Exception):
    """The list changed in a way that may have hidden a ticket."""


def all_tickets(
    api: TroubleTicketApi, query: Mapping[str, str], is_enough: Callable[[list[Document]], bool] = lambda _: False
) -> list[Document]:
    """Every ticket that answers ``query``, each once, in the order of the other side.

    Stops early where ``is_enough`` of the tickets so far. Raises :class:`~repairadvisor.errors.RemoteUnavailableError`
    where the list never stands still, or has more than ``most_pages`` pages: then nothing of it is used.
    """
    for _ in range(_READINGS):
        try:
            return _Reading(api, query).tickets(is_enough)
        except _SlippedError:
            continue
    raise RemoteUnavailableError(
        f"the list of tickets: changed while it was read, {_READINGS} times, or the other side does not heed offset"
    )


class _Reading:
    """One attempt to read the list."""

    def __init__(self, api: TroubleTicketApi, query: Mapping[str, str]) -> None:
        self._api = api
        self._query = query
        self._found: dict[str, Document] = {}
        #: The fewest tickets that the other side said there are.
        self._fewest: int | None = None

    def tickets(self, is_enough: Callable[[list[Document]], bool]) -> list[Document]:
        offset, overlaps = 0, False
        for _ in range(self._api.most_pages):
            page, total = self._page(offset)
            if overlaps and not (page and page[0]["id"] in self._found):
                raise _SlippedError
            is_last = self._is_last(page, offset, total, overlaps=overlaps)
            # Of two states of one ticket the later answer counts.
            self._found |= {ticket["id"]: ticket for ticket in page}
            if is_last:
                return self._whole()
            if is_enough(list(self._found.values())):
                return list(self._found.values())
            overlaps = len(page) > 1
            offset += len(page) - overlaps
        raise RemoteUnavailableError(
            f"the list of tickets: has more than most_pages = {self._api.most_pages} pages of {self._api.page_size}"
        )

    def _page(self, offset: int) -> tuple[list[Document], int | None]:
        page, total = self._api.page({**self._query, "offset": str(offset), "limit": str(self._api.page_size)})
        if total is not None:
            self._fewest = total if self._fewest is None else min(self._fewest, total)
        return page, total

    def _is_last(self, page: list[Document], offset: int, total: int | None, *, overlaps: bool) -> bool:
        """Whether nothing comes after ``page``. A short page is no sign: it may give as few as it likes."""
        if len(page) <= overlaps:
            return True
        if total is not None:
            return offset + len(page) >= total
        if len(page) > self._api.page_size:  # it heeds no limit, and gave all there is
            return True
        if offset == 0 or [ticket["id"] for ticket in page] != list(self._found):
            return False
        if len(page) == self._api.page_size:  # the first page again and again, whatever comes after it
            raise _SlippedError
        return True  # it heeds no offset either, and gives all there is each time

    def _whole(self) -> list[Document]:
        if self._fewest is not None and len(self._found) < self._fewest:
            raise _SlippedError
        return list(self._found.values())
