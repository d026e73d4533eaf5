"""The words of verdicts on joints that were made, and a row of what is said beside one.

They stand below everything that gives a verdict, since the policy speaks of them.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Keep it; make it again; ask somebody who may decide more; not yet: one thing comes first.
VERDICTS = ("accept", "redo", "escalate", "withheld")
#: What decided, gates first.
REASONS = (
    "strength",
    "polish",
    "inspection",
    "reflectance",
    "link_loss",
    "not_measured",
    "bend",
    "one_way",
    "common_cause",
    "owner_limit",
    "usual_limit",
    "budget",
    "money",
    "attempts_used_up",
    "within",
)
#: The one thing to do before a verdict can be given.
DO_FIRST = (
    "clean",
    "re_lay",
    "measure_other_way",
    "measure_loss",
    "measure_reflectance",
    "pull_test",
    "trace_whole_link",
)


@dataclass(frozen=True, slots=True)
class ToDo:
    """What is said beside a verdict on a joint, with its cautions, for some verdicts, reasons, methods and things to do
    first; an empty list is any."""

    id: str
    verdicts: tuple[str, ...]
    reasons: tuple[str, ...]
    methods: tuple[str, ...]
    do_first: tuple[str, ...]
    text: str
    cautions: tuple[str, ...]
    source: str
    known: str
