"""The service as it is, over a desk of ours, in a process that dies where it is told to.

``python -m faults.service --desk URL --tokens FOLDER``: the rest comes from the environment, as for
``repairadvisor serve``. A file ``after-write-7`` in FOLDER kills the process that first removes it, with SIGKILL, once
it has run the step "write" and the engine has not yet remembered that. ``before-``: before it is run; ``remembered-``:
as soon as it is remembered.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import signal
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from builders import WORDING, an_advice

from faults.desk_plugin import DeskCarrier, DeskSource
from repairadvisor.decision.advice import Advice, Step
from repairadvisor.delivery import durable, pulse, rounds
from repairadvisor.delivery.durable import DurableQueue
from repairadvisor.delivery.office import Office
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Known
from repairadvisor.plugin import RawEvent
from repairadvisor.plugin.loading import Plugins, Source
from repairadvisor.service import Advisor, open_records
from repairadvisor.settings import Settings
from repairadvisor.store.database import open_database
from repairadvisor.web import serve

#: Many short waits: nothing is to be given up in a run.
RETRY_AFTER_S = (0.2, 0.5, 1.0, *[2.0] * 47)
CHECK_AFTER_S = 5.5
#: As in the product, a fifth of the time, so that a test need not wait for a minute until a worker counts as dead.
BEAT_S, DEAD_AFTER_S, TAKE_OVER_EVERY_S = 0.5, 4.0, 1.0
#: The name of the source and of its carrier.
DESK = "desk"
STEPS_SAID = 4


def said_of(spare_m: float) -> str:
    """What the advice says of the one fact that it depends on."""
    return f"spare cable {spare_m:.2f} m"


@dataclass(frozen=True)
class QuickMethod:
    """A method that reads the facts for real, and whose advice says one of them, in every part of a note."""

    policy_text: bytes = b"a policy"
    wording: Mapping[str, object] = field(default_factory=lambda: WORDING)

    @property
    def policy_id(self) -> str:
        return hashlib.sha256(self.policy_text).hexdigest()

    def advise(self, context: Context, issued_plan: str = "", *, turning: bool = False) -> Advice:
        state = context.state("spare_near_m")
        said = said_of(state.value if isinstance(state, Known) and isinstance(state.value, float) else -1.0)
        steps = tuple(
            Step(number, f"Lay out and draw in what there is: {said}, turn {number}. " + "Look twice. " * 12, "", ())
            for number in range(1, STEPS_SAID + 1)
        )
        return replace(
            an_advice(),
            say=f"Fuse it with {said}.",
            because="There is slack on both sides.",
            steps=steps,
            loss=None,
            loss_withheld="Not reckoned here.",
            cautions=(),
            checks_on_arrival=(),
            fallbacks=(),
            alternatives=(),
            barred=(),
            sources=(),
            turning_points=(),
            questions=(),
            valid_until="",
            valid_because="",
            now=context.now.isoformat(),
        )

    def tree(self, context: Context, depth: int, most_nodes: int | None = None) -> object:
        raise AssertionError("nobody asks this method for a tree")

    def plan_ids(self) -> frozenset[str]:
        return frozenset()

    def standing_cautions(self, context: Context) -> tuple[str, ...]:
        return ()


class Tokens:
    """A folder of files, each of which kills once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()

    def die_if_told(self, when: str, step: str) -> None:
        """Remove a token for this moment and end, at once and without a word."""
        with self._lock:  # so that one death takes one token
            for token in self._folder.glob(f"{when}-{step}-*"):
                try:
                    token.unlink()
                except FileNotFoundError:
                    continue  # another process had it
                os.kill(os.getpid(), signal.SIGKILL)

    def around(self, step: Callable[[str, Callable[[], object]], object]) -> Callable[..., object]:
        """A step runner that may die before a step, after it, and when it is remembered."""

        def run_step(name: str, run: Callable[[], object]) -> object:
            def killed() -> object:
                self.die_if_told("before", name)
                given = run()
                self.die_if_told("after", name)
                return given

            given = step(name, killed)
            self.die_if_told("remembered", name)
            return given

        return run_step


class MortalOffice(Office):
    """The office, whose door is a place to die at too."""

    tokens: Tokens

    def accept(self, source: str, event: RawEvent) -> tuple[str, bool]:
        self.tokens.die_if_told("before", "door")
        accepted = super().accept(source, event)
        self.tokens.die_if_told("after", "door")
        return accepted


def main() -> int:
    """Serve until told to stop, or until killed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--desk", required=True)
    parser.add_argument("--tokens", required=True, type=Path)
    parser.add_argument("--worker", required=True, help="what the desk is told")
    parser.add_argument("--blind", action="store_true", help="the carrier cannot look")
    given = parser.parse_args()
    tokens = MortalOffice.tokens = Tokens(given.tokens)
    carrier = DeskCarrier(
        given.desk, given.worker, can_look=not given.blind, between=lambda: tokens.die_if_told("midst", "write")
    )
    plugins = Plugins(
        sources={DESK: Source(DESK, DeskSource(), DESK)},
        carriers={DESK: carrier},
        retry_after_s=RETRY_AFTER_S,
        check_after_s=CHECK_AFTER_S,
    )

    def open_office(settings: Settings, advisor: Advisor, environment: Mapping[str, str]) -> Office:
        queue = DurableQueue(settings.database_url)
        return MortalOffice(open_database(settings.database_url), queue, advisor, plugins, settings.public_url)

    def open_advisor(settings: Settings) -> Advisor:
        return Advisor(QuickMethod(), open_records(settings))

    for module in (pulse, rounds):
        vars(module).update(BEAT_S=BEAT_S, DEAD_AFTER_S=DEAD_AFTER_S)
    vars(rounds).update(_TAKE_OVER_EVERY_S=TAKE_OVER_EVERY_S)
    vars(durable).update(_step=tokens.around(durable._step))
    vars(serve).update(open_office=open_office, open_advisor=open_advisor)
    return serve.main(["--port", "0", "--json"])


if __name__ == "__main__":
    sys.exit(main())
