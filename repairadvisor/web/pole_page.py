"""One page of the pole: where somebody stands, what is said beside everything, and the words that pages ask for."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from types import MappingProxyType
from typing import Any

from flask import Response, current_app, render_template

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.errors import Fault, NotFoundError
from repairadvisor.facts.parse import read_moment
from repairadvisor.render import figures, sentences
from repairadvisor.render.voice import Voice
from repairadvisor.schemas.outcome_answer import WorkSoFar
from repairadvisor.store.records import StoredAdvice
from repairadvisor.web.api import advisor
from repairadvisor.web.bodies import HTML
from repairadvisor.web.outcomes import WORK_DONE
from repairadvisor.web.walk import Stop, Walk
from repairadvisor.web.words import VOICE
from repairadvisor.work_done import WorkDone

#: A key that is longer counts by its digest: cut off, two that differ would be one.
_LONGEST_KEY = 64


@dataclass(frozen=True, slots=True)
class Here:
    """Where somebody stands: the advice, how far it is walked, what this request says, and the time it is."""

    stored: StoredAdvice
    advice: Advice
    walk: Walk
    given: Mapping[str, str]
    clock: datetime

    @property
    def has_run_out(self) -> bool:
        """Whether what the advice rests on is too old by now."""
        ends = read_moment(self.advice.valid_until)
        return ends is not None and self.clock > ends

    @property
    def holds(self) -> bool:
        """Whether the advice is not too old, and of the rules and the method that are in force."""
        in_force = self.stored.policy_id == advisor().method.policy_id and self.stored.method_version == METHOD_VERSION
        return in_force and not self.has_run_out

    @property
    def may_be_walked(self) -> bool:
        """Whether there is work to do, and the next of it may be shown: not before it is asked again where it no longer
        holds."""
        return self.advice.action == "repair" and self.holds

    @property
    def key(self) -> str:
        """Under what a form counts once, however often it is sent; "" where it came without a key."""
        key = self.given.get("key", "")
        return key if len(key) <= _LONGEST_KEY else hashlib.sha256(key.encode()).hexdigest()

    @property
    def of(self) -> Stop | None:
        """The stop that this page is about, where it may be looked at."""
        return self.walk.stop(self.given.get("of", ""))


def page(
    here: Here,
    view: str,
    status: int = 200,
    faults: tuple[Fault, ...] = (),
    labels: Mapping[str, str] = MappingProxyType({}),
    **parts: object,
) -> Response:
    """A page of this walk; ``labels`` are what its fields are called, so that what is wrong is said of them."""
    shown = render_template(
        "pole.html",
        view=view,
        here=here,
        walk=here.walk,
        advice=here.advice,
        notices=_notices(here),
        key=uuid.uuid4().hex,
        faults=[
            (fault.field, replace(fault, field=labels.get(fault.field, fault.field)).sentence()) for fault in faults
        ],
        said=sentences,
        **parts,
    )
    return Response(shown, status=status, mimetype=HTML)


def _notices(here: Here) -> list[str]:
    """What makes this advice doubtful by now."""
    said = []
    if here.has_run_out:
        until, because = figures.moment(advisor().voice, here.advice.valid_until), here.advice.valid_because
        said.append(
            say("pole", "run_out", until=until, because=because)
            if because
            else say("pole", "run_out_bare", until=until)
        )
    if here.stored.policy_id != advisor().method.policy_id:
        said.append(say("pole", "other_policy"))
    if here.stored.method_version != METHOD_VERSION:
        said.append(say("pole", "other_method"))
    if said and here.advice.action == "repair":
        said.append(say("pole", "make_safe"))
    return said


def go_on(link: str) -> Response:
    """After what was sent is kept: the next page, so that loading it again sends nothing again."""
    return Response("", status=303, headers={"Location": link})


def work_done() -> WorkDone:
    """Who keeps and judges what is reported of the work."""
    found: WorkDone | None = current_app.extensions[WORK_DONE]
    if found is None:
        raise NotFoundError("record of work", "")
    return found


def all_work(here: Here) -> list[WorkSoFar]:
    """What is kept of the work under the advices that were walked here, the one of this page last."""
    found = []
    for advice_id in here.walk.earlier:
        try:
            found.append(work_done().so_far(advice_id, here.clock))
        except NotFoundError:
            continue  # a link that was typed wrong names no work
    return [*found, work_done().so_far(here.walk.advice_id, here.clock)]


def say(*path: str, **fields: object) -> str:
    """The words of the policy in force at a path."""
    found: Voice = current_app.extensions[VOICE]
    return found.say(*path, **fields)


def band(of: str, chance: float) -> str:
    """Which row of the policy's words for such chances a chance falls into: the greatest that it reaches."""
    rows: Any = advisor().wording["pole"]
    reached: dict[str, float] = {
        name: row["at_least"]
        for name, row in rows[of].items()
        if isinstance(row, Mapping) and chance >= row["at_least"]
    }
    return max(reached, key=lambda name: reached[name])
