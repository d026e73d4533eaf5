"""The use case of a pocket card: from an advice that is kept, made once and kept.

Making takes from half a second to most of a minute, so it is done by a thread of its own, one card at a time in a
process: whoever asks meanwhile is told that it is being made. It is made when somebody asks for it and not with every
advice, since most advices are never carried on a card.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
import uuid
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from itertools import product
from typing import Any

import orjson

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.card_tree import cut_to
from repairadvisor.decision.fault_tree import Tree
from repairadvisor.errors import ConflictError, InputError, RepairAdvisorError
from repairadvisor.facts.context import Context
from repairadvisor.methods import Method
from repairadvisor.outcome.offline_cells import Made
from repairadvisor.outcome.offline_verdicts import OfflineVerdicts, offline_verdicts
from repairadvisor.outcome.reported import Attempt
from repairadvisor.outcome.verdict import Verdict
from repairadvisor.render.card_data import FORM, bare_card_data, card_data
from repairadvisor.replay import told_again
from repairadvisor.service import Advisor
from repairadvisor.store.cards import BEAT_S, Cards

#: Nodes of a card's tree that are worked out. With little known a node takes seconds; 24 stay below a minute.
MOST_NODES = 24
#: Plans of a card whose verdicts are looked up beforehand, those of the ways that stand first.
MOST_PLANS = 3
#: What a card's data may come to when they are packed, bytes: in the text of a page a third more, and with script,
#: style and the card as text it stays below 100 kB. Nodes are left out until they do, those that are asked last first;
#: then the verdicts on other plans than the first, then those on the first: without them a joint is rung for.
MOST_PACKED = 36_000
_ROOM = (MOST_NODES, 12, 6, 3, 1)
#: So long whoever asks first waits, seconds: most cards are there by then. One at a time in a process: whoever waits
#: holds one of the few threads that answer everybody.
PATIENCE_S = 2.0
#: Cards that may wait to be made in a process: an hour of work.
MOST_WAITING = 100
#: A card that could not be made is not begun anew within so long, seconds: whoever asks is told why.
FAILED_FOR_S = 60.0
_log = logging.getLogger(__name__)


class TooManyCardsError(RepairAdvisorError):
    """More cards wait to be made than may wait; this one was not begun."""

    slug = "too-many-cards"

    def __init__(self) -> None:
        super().__init__(f"{MOST_WAITING} cards wait to be made: ask again later")


class CardMaking:
    """Makes the cards of one process, one at a time, and finds those that are made."""

    def __init__(self, advisor: Advisor) -> None:
        if advisor.records is None:
            raise ValueError("a card is made of an advice that is kept, and none is kept here")
        self._advisor = advisor
        self._cards = Cards(advisor.records.engine)
        self._maker = uuid.uuid4().hex
        self._wanted: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._waiting: dict[str, threading.Event] = {}
        self._failed: dict[str, tuple[Exception, float]] = {}
        self._patient = threading.Lock()
        self._claiming = threading.Lock()
        self._making: set[str] = set()
        self._is_over = False
        self._thread: threading.Thread | None = None

    def card(self, advice_id: str, patience_s: float = PATIENCE_S) -> dict[str, Any] | None:
        """The card of an advice; None while it is being made, after ``patience_s`` at the most, and at once where
        somebody else waits already.

        Raises :class:`NotFoundError` without the advice, :class:`ConflictError` where this version cannot read it,
        :class:`TooManyCardsError` where too many wait, and what went wrong where making it failed; asked again after
        ``FAILED_FOR_S`` it is tried again.
        """
        found = self._kept(advice_id)
        if found is not None:
            return found
        answered = self._advisor.answer_given(advice_id)
        if answered.advice.policy != self._advisor.method.policy_id:
            return bare_card_data(advice_id, answered.advice, self._advisor.voice)
        self._raise_what_failed(advice_id)
        done = self._ask_for(advice_id)
        if self._patient.acquire(blocking=False):
            try:
                done.wait(patience_s)
            finally:
                self._patient.release()
        self._raise_what_failed(advice_id)
        return self._kept(advice_id)

    def waiting(self) -> int:
        """How many cards are being made or wait for it in this process."""
        return len(self._waiting)

    def stop(self) -> None:
        """Begin no card any more, and give back what is being made: whoever comes next makes it at once."""
        with self._claiming:
            self._is_over = True
            for advice_id in self._making:
                self._cards.let_go(advice_id, self._maker)

    def holds(self, advice_id: str) -> dict[str, str]:
        """What a card holds by: its policy, and until when; "" where nothing on it runs out. Raises as :meth:`card`."""
        advice = self._advisor.answer_given(advice_id).advice
        return {"id": advice_id, "policy": advice.policy, "valid_until": advice.valid_until}

    def make(self, advice_id: str, now: datetime) -> bool:
        """Make a card and keep it; False where it is made, or somebody else is at it."""
        with self._claiming:
            if self._is_over or not self._cards.claim(advice_id, self._maker, now):
                return False
            self._making.add(advice_id)
        try:
            with self._heard_of(advice_id):
                card = orjson.dumps(made_card(self._advisor, advice_id))
        except BaseException:
            self._cards.let_go(advice_id, self._maker)
            raise
        finally:
            with self._claiming:
                self._making.discard(advice_id)
        return self._cards.keep(advice_id, self._maker, card)

    @contextmanager
    def _heard_of(self, advice_id: str) -> Iterator[None]:
        """Say meanwhile, time and again, that the card is still being made."""
        over = threading.Event()

        def beat() -> None:
            while not over.wait(BEAT_S):
                try:
                    self._cards.still_at_it(advice_id, self._maker, datetime.now(UTC))
                except Exception as error:  # noqa: BLE001 - the card is made all the same, and the next time it is heard
                    _log.warning("%s while a card was made: %s", type(error).__name__, error)

        beating = threading.Thread(target=beat, name="card-beat", daemon=True)
        beating.start()
        try:
            yield
        finally:
            over.set()
            beating.join()

    def _kept(self, advice_id: str) -> dict[str, Any] | None:
        kept = self._cards.kept(advice_id)
        if kept is None:
            return None
        card: dict[str, Any] = orjson.loads(kept)
        if card.get("form") != FORM:
            raise ConflictError("this card was made by another version of the program: ask for the advice anew")
        return card

    # --- one at a time --------------------------------------------------------------------------------------------

    def _raise_what_failed(self, advice_id: str) -> None:
        """Raise why a card could not be made, to everybody who asks until it may be tried again."""
        with self._lock:
            now = time.monotonic()
            self._failed = {one: why for one, why in self._failed.items() if now - why[1] < FAILED_FOR_S}
            failed = self._failed.get(advice_id)
        if failed is not None:
            raise failed[0]

    def _ask_for(self, advice_id: str) -> threading.Event:
        """Have a card made; the event that it is done with, whatever came of it."""
        with self._lock:
            done = self._waiting.get(advice_id)
            if done is None:
                if len(self._waiting) >= MOST_WAITING:
                    raise TooManyCardsError
                done = self._waiting[advice_id] = threading.Event()
                self._wanted.put(advice_id)
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(target=self._work, name="card-maker", daemon=True)
                self._thread.start()
        return done

    def _work(self) -> None:
        while True:
            advice_id = self._wanted.get()
            failed: Exception | None = None
            try:
                self.make(advice_id, datetime.now(UTC))
            except Exception as error:  # noqa: BLE001 - handed on to whoever asks; the next card is made all the same
                failed = error
            finally:
                with self._lock:
                    if failed is not None:
                        self._failed[advice_id] = (failed, time.monotonic())
                    self._waiting.pop(advice_id).set()


def made_card(advisor: Advisor, advice_id: str) -> dict[str, Any]:
    """The card of an advice that was given under the policy in force, made from what was told."""
    stored = advisor.given(advice_id)
    advice = advisor.answer_given(advice_id).advice
    context, issued_plan, unread = told_again(stored)
    if unread:
        raise ConflictError(f"this version cannot read what was told: {unread[0].sentence()}")
    method = advisor.method
    tree = method.card_tree(context, issued_plan, MOST_NODES)
    tables = [
        table for one in _to_be_judged(advice, tree) if (table := _offline(method, advice_id, context, one)) is not None
    ]
    for count, most in product(sorted({len(tables), min(len(tables), 1), 0}, reverse=True), _ROOM):
        card = card_data(advice_id, advice, cut_to(tree, most), tables[:count], advisor.voice)
        if len(zlib.compress(orjson.dumps(card))) <= MOST_PACKED:
            break
    return card


def _to_be_judged(advice: Advice, tree: Tree) -> list[Advice]:
    """One advice for each plan by which joints are made, the advised one first."""
    by_plan: dict[str, Advice] = {}
    for one in (advice, *tree.advice):
        if one.action == "repair" and one.plan is not None and one.loss is not None and one.loss.joints > 0:
            by_plan.setdefault(one.plan.id, one)
    return list(by_plan.values())[:MOST_PLANS]


def _offline(method: Method, advice_id: str, context: Context, advice: Advice) -> OfflineVerdicts | None:
    """The verdicts on a plan's joints; None where a single fibre gets none: joined as a ribbon, or of unknown kind."""
    assert advice.plan is not None
    assert advice.loss is not None
    nanometres = next(iter(advice.loss.by_wavelength), None)
    if nanometres is None or advice.plan.method.startswith("ribbon"):
        return None
    made = Made(
        advice=advice_id,
        plan=advice.plan.id,
        method=advice.plan.method,
        nm=int(nanometres),
        joints=advice.loss.joints,
        attempts=method.most_attempts,
        reflectance_limit_db=advice.loss.reflectance_limit_db,
        now=context.now,
    )
    try:
        return offline_verdicts(made, partial(_judged, method, context, advice.plan.id))
    except InputError:
        return None  # such a reading cannot be of this repair: whoever has one rings


def _judged(method: Method, context: Context, plan_id: str, attempts: Sequence[Attempt]) -> Sequence[Verdict]:
    return method.judge(context, plan_id, attempts, context.now)
