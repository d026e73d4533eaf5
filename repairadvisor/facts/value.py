"""What is known of one fact: one value, a narrowed set, nothing, or that it has no meaning.

An unknown fact is simply absent from what was given. :class:`Possible` is what remains possible of a fact in
the light of everything else that is known: the same four states, seen from the other side.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Known:
    """One value: a word, or a number in the fact's own unit."""

    value: float | str


@dataclass(frozen=True, slots=True)
class Between:
    """A number somewhere in ``low`` to ``high``, both included, in the fact's own unit."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class OneOf:
    """One of several words, in the order of the fact's own words."""

    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NotApplicable:
    """Somebody said that the fact has no meaning here."""


State = Known | Between | OneOf | NotApplicable


@dataclass(frozen=True, slots=True)
class Possible:
    """What a fact may still be.

    ``words`` for a fact in words, ``low`` and ``high`` for a number; both empty (``words == ()`` and
    ``applies`` false) when the fact surely has no meaning. ``may_lack`` tells whether having no meaning is
    still possible.
    """

    words: tuple[str, ...]
    low: float
    high: float
    applies: bool
    may_lack: bool

    @property
    def settled(self) -> bool:
        """Whether nothing about the fact is left open."""
        if not self.applies:
            return True
        return not self.may_lack and (len(self.words) == 1 or (not self.words and self.low == self.high))


NO_MEANING = Possible((), 0.0, 0.0, applies=False, may_lack=True)


def possible_of(state: State, low: float, high: float) -> Possible:
    """What a stated fact may be, taken alone; ``low`` and ``high`` stand for a number's permitted range."""
    if isinstance(state, NotApplicable):
        return NO_MEANING
    if isinstance(state, Between):
        return Possible((), state.low, state.high, applies=True, may_lack=False)
    if isinstance(state, OneOf):
        return Possible(state.words, low, high, applies=True, may_lack=False)
    if isinstance(state.value, str):
        return Possible((state.value,), low, high, applies=True, may_lack=False)
    return Possible((), state.value, state.value, applies=True, may_lack=False)
