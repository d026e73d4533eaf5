"""How an advice is spoken to people: the words around it, and its own sentences as the operator wants them read."""

from __future__ import annotations

from dataclasses import dataclass

from repairadvisor.decision.reasons import Words


@dataclass(frozen=True, slots=True)
class Voice:
    """One operator's way of saying things; every surface takes its words from here."""

    words: Words

    def say(self, *path: str, **fields: object) -> str:
        """The words at a path of the policy's wording, filled in. Raises PolicyError for a path that is not there."""
        return self.words.say(*path, **fields)
