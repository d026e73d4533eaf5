"""What a look at a policy finds wrong with it: each with the rows, a sentence, and the fewest facts that show it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from repairadvisor.facts.context import Context
from repairadvisor.policy.model import Policy

#: How far a finding is proved: over all worlds, or only where somebody looked.
EXACT, SEARCHED = "exact", "searched"

#: Which file holds the rows of a kind. Screens stand in several.
FILE_OF = {
    "screen": "screens_….toml",
    "caution": "cautions.toml",
    "step": "steps.toml",
    "item": "kit.toml",
    "slot": "slots.toml",
    "control": "hazard_control.toml",
    "minutes": "minutes.toml",
    "price": "prices.toml",
    "fact": "facts.toml",
    "wording": "wording.toml",
    "plan": "plan_words.toml",
    "crew": "crew.toml",
    "adjust": "joints.toml",
    "limit": "limits.toml",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong. ``ids`` names the rows, the one to look at first; ``context`` holds facts in the form in
    which they are given, the fewest that show it (None: no facts are needed, or none can).

    ``accepted`` is why the policy itself says that it is meant so, or "".
    """

    kind: str
    file: str
    ids: tuple[str, ...]
    sentence: str
    proof: str
    context: Mapping[str, object] | None
    accepted: str = ""


def files_of(policy: Policy) -> Callable[[str, str], str]:
    """Which file a row stands in, by its kind and id, as far as the canonical policy tells."""
    raw: Mapping[str, Mapping[str, object]] = json.loads(policy.canonical)
    of_screen = {
        str(row.get("id")): file
        for file, tables in raw.items()
        for row in _rows(tables.get("screen"))
        if file.startswith("screens_")
    }
    return lambda kind, name: of_screen.get(name, FILE_OF[kind]) if kind == "screen" else FILE_OF[kind]


def _rows(found: object) -> Sequence[Mapping[str, object]]:
    return found if isinstance(found, list) else ()


def fewest(context: Context, shows: Callable[[Context], bool]) -> dict[str, object]:
    """Facts of a context, as they are given, from which none can be left out while it still shows."""
    for name in tuple(context.held):
        fewer, faults = context.with_facts({name: None})
        if not faults and shows(fewer):
            context = fewer
    return context.as_given()
