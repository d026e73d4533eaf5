"""How an advice is spoken to people: the words around it, and its own sentences as the operator wants them read."""

from __future__ import annotations

from dataclasses import dataclass

from repairadvisor.decision.reasons import Words
from repairadvisor.errors import PolicyError
from repairadvisor.settings import UNIT_SYSTEMS

METRIC, FEET = UNIT_SYSTEMS


@dataclass(frozen=True, slots=True)
class Voice:
    """One operator's way of saying things: every surface takes its words from here. ``units``: one of UNIT_SYSTEMS."""

    words: Words
    units: str = METRIC

    def say(self, *path: str, **fields: object) -> str:
        """The words at a path of the policy's wording, filled in. Raises PolicyError for a path that is not there."""
        return self.words.say(*path, **fields)

    def named(self, *path: str) -> str:
        """The words at a path; where the policy has none, the last of the path with blanks between its words."""
        try:
            return self.words.say(*path)
        except PolicyError:
            return path[-1].replace("_", " ")

    def fact(self, name: str) -> str:
        """What a fact is called."""
        return self.named("fact_name", name)

    def known(self, how: str) -> str:
        """How a figure is known, in a word or two."""
        return self.named("known_shortly", how)

    def whom(self, of_whom: str) -> str:
        """Who is asked, as it stands after "ask"."""
        return self.named("of_whom", of_whom)
