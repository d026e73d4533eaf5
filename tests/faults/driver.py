"""A whole run: events are sent, processes are killed, and in the end everything is looked at.

What is sent is paced by the kills, so that there is work whenever something is to die. Every wait is bounded.
"""

from __future__ import annotations

import os
import random
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import requests

from faults.audit import Findings, audited
from faults.desk import Desk
from faults.desk_plugin import signed
from faults.events import Event, Plan
from faults.service import DESK
from faults.workers import Crew
from repairadvisor.schemas.delivery import MOST_LISTED, OPEN_STATES

#: Where a process is told to die: at the door, before and after what an event is kept by; at each step, before it,
#: after it, and once the engine remembers it; and between two writes to the desk.
STEPS = ("read", "accept", "facts", "advise", "hand_over", "begin", "write", "confirm", "finish", "end")
BOUNDARIES = (
    "before-door",
    "after-door",
    *(f"{when}-{step}" for step in STEPS for when in ("before", "after", "remembered")),
    "midst-write",
)
#: A process is killed from outside while it waits for the desk.
WHILE_WAITING = "waiting"

_SENT_WITHIN_S, _ANSWERED_WITHIN_S, _KILLED_WITHIN_S, _QUIET_WITHIN_S = 180.0, 8.0, 60.0, 240.0
_MOST_MORE = 400
#: How long the desk still misbehaves at most when everything is sent and nobody is killed: in a whole run, and else.
MISBEHAVES_ON_FOR_S = {True: 90.0, False: 10.0}


def seed_of_run(fixed: int) -> int:
    """The seed of a run; ``REPAIRADVISOR_FAULTS_SEED`` gives another one."""
    return int(os.environ.get("REPAIRADVISOR_FAULTS_SEED") or fixed)


@dataclass
class Run:
    """One run. ``kills`` are boundaries and WHILE_WAITING, in order; ``beside`` are things to do in between, each by
    the number of kills after which it is done."""

    desk: Desk
    crew: Crew
    plan: Plan
    kills: Sequence[str]
    seed: int
    beside: Mapping[int, Callable[[], None]] = field(default_factory=dict)
    #: Of so many killed processes one stays dead until others have taken its work over; 0: none.
    one_stays_dead_of: int = 0
    misbehaves_on_for_s: float = MISBEHAVES_ON_FOR_S[False]
    accepted: dict[str, str] = field(default_factory=dict)
    unanswered: Counter[str] = field(default_factory=Counter)
    answered_again: int = 0
    killed: Counter[str] = field(default_factory=Counter)
    untouched: list[str] = field(default_factory=list)
    stayed_dead: int = 0

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed + 1)
        self._lock = threading.Lock()
        self._begun = time.monotonic()

    # --- sending ----------------------------------------------------------------------------------------------

    def through(self) -> None:
        """Send everything, kill all that is to be killed; then let the desk behave, and wait until all is quiet."""
        killer = threading.Thread(target=self._kill_all, daemon=True)
        killer.start()
        sent: list[Future[None]] = []
        with ThreadPoolExecutor(max_workers=6) as pool:
            number = 0
            while number < len(self.plan.events) or killer.is_alive():
                if number == len(self.plan.events):
                    if number > _MOST_MORE + len(self.kills) * 20:
                        break
                    self.plan.another()  # somebody is still to be killed, and has to have work
                    self.wait(partial(self._has_gone_on_since, self.killed.total(), killer), 1.5)
                event = self.plan.events[number]
                sent += [pool.submit(self.send, event) for _ in range(2 if event.twin else 1)]
                number += 1
                self._pace(number, killer)
        for one in sent:
            one.result()
        killer.join(timeout=_KILLED_WITHIN_S)
        # The desk goes on as it is for a while: what is left is a good part of the work.
        self.wait(lambda: self._open() == 0, self.misbehaves_on_for_s)
        self.desk.quiet = True

    def _has_gone_on_since(self, kills: int, killer: threading.Thread) -> bool:
        return self.killed.total() > kills or not killer.is_alive()

    def _pace(self, number: int, killer: threading.Thread) -> None:
        """Not all at once: an event for each part of the kills that is through, or when nothing dies for a while."""
        share = number / len(self.plan.events)
        until = time.monotonic() + 2.0
        while killer.is_alive() and time.monotonic() < until and share * len(self.kills) > self.killed.total() + 1:
            time.sleep(0.02)

    def send(self, event: Event) -> None:
        """Send an event until it is answered with 202, and never again after that."""
        until = time.monotonic() + _SENT_WITHIN_S
        while time.monotonic() < until and event.key not in self.accepted:  # its twin may have been answered
            addresses = self.crew.addresses()
            if not addresses:
                time.sleep(0.05)
                continue
            with self._lock:
                address = self._random.choice(addresses)
            if self._answered(event, address):
                return
            time.sleep(0.2)

    def _answered(self, event: Event, address: str) -> bool:
        url = f"{address}/v1/events/{DESK}"
        try:
            answer = requests.post(
                url, data=event.body, headers=signed(event.key, event.body), timeout=_ANSWERED_WITHIN_S
            )
        except requests.RequestException as error:
            refused = "refused" in str(error)
            self._count("nobody there" if refused else f"cut before 202: {type(error).__name__}")
            return False
        if answer.status_code != 202:
            self._count(f"answered {answer.status_code}")
            return False
        said = answer.json()
        with self._lock:
            self.accepted[event.key] = said["delivery"]
            self.answered_again += said["again"]
        return True

    def _count(self, what: str) -> None:
        with self._lock:
            self.unanswered[what] += 1

    # --- killing ----------------------------------------------------------------------------------------------

    def _kill_all(self) -> None:
        for number, what in enumerate(self.kills):
            if number in self.beside:
                self.beside[number]()
            before = self.crew.deaths.copy()
            done = self._while_waiting() if what == WHILE_WAITING else self._at(what, number)
            if not done:
                self.untouched.append(what)
                continue
            self.killed[what] += 1
            self.wait(partial(self._has_died_since, before), 10)
            self.wait(lambda: bool(self.crew.addresses()), _KILLED_WITHIN_S)
            time.sleep(self._random.uniform(0, 0.4))

    def _has_died_since(self, before: Counter[str]) -> bool:
        return self.crew.deaths.total() > before.total()

    def _at(self, boundary: str, number: int) -> bool:
        """Put a token down, and wait for it to be taken."""
        if self.one_stays_dead_of and number % self.one_stays_dead_of == self.one_stays_dead_of - 1:
            self._let_the_next_stay_dead()
        token = self.crew.tokens / f"{boundary}-{number}"
        token.touch()
        if self.wait(lambda: not token.exists(), _KILLED_WITHIN_S):
            return True
        try:
            token.unlink()
        except FileNotFoundError:
            return True
        return False

    def _let_the_next_stay_dead(self) -> None:
        for worker in self.crew.workers:
            worker.stays_dead_s = 10.0
        threading.Thread(target=self._only_one_stays_dead, args=(self.crew.deaths.copy(),), daemon=True).start()

    def _only_one_stays_dead(self, before: Counter[str]) -> None:
        """As soon as one has died the others are kept alive as ever."""
        self.wait(partial(self._has_died_since, before), _KILLED_WITHIN_S)
        for worker in self.crew.workers:
            if self.crew.deaths[worker.name] == before[worker.name]:
                worker.stays_dead_s = 0.0
        self.stayed_dead += 1

    def _while_waiting(self) -> bool:
        """Kill a process that waits for the desk."""
        until = time.monotonic() + _KILLED_WITHIN_S
        while time.monotonic() < until:
            for name in self.desk.slow_with():
                if self.crew.kill(name):
                    return True
            time.sleep(0.01)
        return False

    def wait(self, done: Callable[[], bool], within_s: float) -> bool:
        """Wait until something is so; whether it is in time."""
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            if done():
                return True
            time.sleep(0.01)
        return False

    # --- the end ----------------------------------------------------------------------------------------------

    def quiet(self) -> bool:
        """Wait until nothing is left to do; whether that came to pass."""
        return self.wait(lambda: self._open() == 0 and self.desk.is_idle, _QUIET_WITHIN_S)

    def _open(self) -> int:
        try:
            counts = self._asked({"limit": 1})["counts"]
        except (requests.RequestException, IndexError):
            return -1
        time.sleep(0.2)
        return sum(counts.get(state, 0) for state in OPEN_STATES)

    def _asked(self, query: Mapping[str, int]) -> Any:
        address = self.crew.addresses()[0]
        answer = requests.get(f"{address}/v1/deliveries", params=dict(query), timeout=_ANSWERED_WITHIN_S)
        answer.raise_for_status()
        return answer.json()

    def deliveries(self) -> list[dict[str, Any]]:
        """All deliveries there are, as published."""
        found: list[dict[str, Any]] = []
        while True:
            page = self._asked({"limit": MOST_LISTED, "offset": len(found)})["deliveries"]
            found += page
            if len(page) < MOST_LISTED:
                return found

    def findings(self) -> tuple[Findings, list[str]]:
        """What is not as it has to be, and the figures of the run."""
        is_quiet = self.quiet()
        deliveries = self.deliveries()
        found = audited(self.desk, self.plan, self.accepted, deliveries)
        if not is_quiet:
            found.stuck.append("it did not come to rest")
        found.stuck += [f"the process: {one}" for one in self.crew.faults]
        found.stuck += [f"the desk: {one}" for one in self.desk.faults]
        return found, self._figures(found, deliveries)

    def _figures(self, found: Findings, deliveries: Sequence[Mapping[str, Any]]) -> list[str]:
        events = len(self.plan.events)
        states = Counter(f"{one['cause']} {one['state']}" for one in deliveries)
        return [
            (
                f"seed {self.seed}; {events} events of {len(self.plan.latest)} tickets; "
                f"{time.monotonic() - self._begun:.0f} s; {len(self.crew.workers)} workers"
            ),
            (
                f"sent again before 202: {self.unanswered.total()} {_said(self.unanswered)}; came twice: "
                f"{self.answered_again}"
            ),
            (
                f"kills: {self.killed.total()} (processes that died of SIGKILL: {self.crew.deaths.total()}; "
                f"stayed dead: {self.stayed_dead}; refused to start: {self.crew.refusals}) {_said(self.killed)}"
            ),
            f"desk: {self.desk.kinds.total()} requests {_said(self.desk.methods)} {_said(self.desk.kinds)}",
            (
                f"deliveries: {_said(states)}; begun again after a standstill: "
                f"{self.crew.said('had come to a standstill')}; taken over from the dead: "
                f"{self.crew.said('is no more; took over')} times"
            ),
            (
                f"notes added twice: {found.doubled}; void: {found.void}, superseded: {found.superseded}; healed as "
                f"deliveries tell: {sum(one['healed'] for one in deliveries)}"
            ),
            (
                f"lost {len(found.lost)}, stuck {len(found.stuck)}, twice {len(found.twice)}, "
                f"after the end {len(found.late)}"
            ),
        ]


def _said(counted: Mapping[str, int]) -> str:
    return "{" + ", ".join(f"{what}: {count}" for what, count in sorted(counted.items())) + "}"
