"""Accept this joint, make it again, ask for help, or do one thing first: the verdict on what was measured.

The one function to call is :func:`judge`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from repairadvisor.decision.rules import Rules
from repairadvisor.facts.context import Context
from repairadvisor.outcome.reported import Attempt
from repairadvisor.outcome.verdict import Verdict
from repairadvisor.policy.plan import Plan


def judge(
    rules: Rules, context: Context, plan: Plan, attempts: Sequence[Attempt], now: datetime
) -> tuple[Verdict, ...]:
    """The verdict on the last attempt at every joint that was reported, in the order of fibres and joints.

    ``context`` holds the facts of the repair (those of its advice, and what is known better now), ``plan`` is the plan
    that was carried out; another method than the plan's may have been used. ``attempts`` are all that is known of the
    repair: every attempt at every joint, kept or cut again, in any order. Fibres of one ``ribbon`` are judged as one.
    Pure: the same input gives the same verdicts.

    Errors: :class:`~repairadvisor.errors.InputError` for attempts that lie after ``now``, were read at a wavelength
    that the fibre does not carry, are by a method that makes no joint, or say different things of the same attempt.
    """
    raise NotImplementedError
