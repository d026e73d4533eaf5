"""A frozen set of facts at one moment: look up, replace, list what is missing, see what follows.

What follows is settled once, when the context is made: a stated depth says that the place is below ground, a
stated pole top says that depth has no meaning. Contradictions are faults that name both sides.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from repairadvisor.errors import Fault
from repairadvisor.facts.value import NO_MEANING, Between, Known, NotApplicable, Possible, State, possible_of
from repairadvisor.facts.vocabulary import BY_NAME, FACTS, Fact


@dataclass(frozen=True, slots=True)
class Held:
    """A stated fact: its state, who or what said it, and when it was seen (None: nobody said)."""

    state: State
    source: str = ""
    seen_at: datetime | None = None
    valid_until: datetime | None = None


@dataclass(frozen=True, slots=True)
class Context:
    """Everything known of one fault at ``now`` (aware).

    ``held`` is what was stated, by fact name in the order of the vocabulary; ``possible`` what each fact may be
    in the light of all of it; ``expired`` the names of facts whose statement had run out, which are unknown.
    """

    now: datetime
    held: Mapping[str, Held]
    possible: Mapping[str, Possible]
    expired: tuple[str, ...] = ()

    def state(self, name: str) -> State | None:
        """What was stated of a fact, or None."""
        held = self.held.get(name)
        return None if held is None else held.state

    def as_given(self) -> dict[str, object]:
        """What is held, in the form in which facts are given and in their own units: reading it again at ``now`` gives
        the same context, but for statements that had run out, which are not held."""
        return {name: _given(held) for name, held in self.held.items()}

    def with_facts(self, changes: Mapping[str, State | None]) -> tuple[Context, tuple[Fault, ...]]:
        """The context with some facts stated anew (None: unknown again), and what contradicts."""
        held = dict(self.held)
        for name, state in changes.items():
            if state is None:
                held.pop(name, None)
            else:
                held[name] = Held(state)
        return make_context(self.now, held, self.expired)

    def has_meaning(self, name: str) -> bool:
        """Whether a fact surely has a meaning here, whatever else may turn out."""
        return _surely_applies(BY_NAME[name], self.possible)

    def missing(self) -> tuple[str, ...]:
        """Facts that have or may have a meaning here and of which something is still open."""
        return tuple(fact.name for fact in FACTS if not self.possible[fact.name].settled)


def _given(held: Held) -> dict[str, object]:
    state = held.state
    if isinstance(state, NotApplicable):
        given: dict[str, object] = {"not_applicable": True}
    elif isinstance(state, Known):
        given = {"value": state.value}
    elif isinstance(state, Between):
        given = {"between": [state.low, state.high]}
    else:
        given = {"one_of": list(state.words)}
    if held.source:
        given["source"] = held.source
    for key, moment in (("seen_at", held.seen_at), ("valid_until", held.valid_until)):
        if moment is not None:
            given[key] = moment.isoformat()
    return given


def make_context(
    now: datetime, held: Mapping[str, Held], expired: tuple[str, ...] = ()
) -> tuple[Context, tuple[Fault, ...]]:
    """The context of what is held, settled, with every contradiction found in it."""
    possible, faults = settle({name: one.state for name, one in held.items()})
    ordered = {fact.name: held[fact.name] for fact in FACTS if fact.name in held}
    return Context(now, ordered, possible, expired), faults


def _blank(fact: Fact) -> Possible:
    return Possible(fact.words, fact.low, fact.high, applies=True, may_lack=bool(fact.applies))


_BLANK = {fact.name: _blank(fact) for fact in FACTS}
#: fact -> facts whose meaning or words hang on it.
_DEPENDENTS: dict[str, tuple[str, ...]] = {
    fact.name: tuple(
        other.name
        for other in FACTS
        if any(parent == fact.name for parent, _ in other.applies)
        or (other.within is not None and other.within[0] == fact.name)
    )
    for fact in FACTS
}


_APPLIES = {fact.name: tuple((parent, frozenset(words)) for parent, words in fact.applies) for fact in FACTS}


def settle(states: Mapping[str, State]) -> tuple[dict[str, Possible], tuple[Fault, ...]]:
    """What each fact may be, given the stated ones, and every contradiction.

    Narrows to a fixed point: a statement narrows the facts that give it meaning, and those narrow what hangs on
    them. Each step only removes possibilities, so it ends; it goes by the order of the vocabulary, not of the input.
    """
    possible = dict(_BLANK)
    faults: dict[str, Fault] = {}
    stated = [name for name in BY_NAME if name in states]
    for name in stated:
        fact = BY_NAME[name]
        possible[name] = possible_of(states[name], fact.low, fact.high)
    _bound_counts(states, possible, faults)
    work = list(stated)
    while work:
        name = work.pop(0)
        changed = _narrow_parents(BY_NAME[name], states, possible)
        for parent in changed:
            changed += [one for one in _settle_dependents(parent, states, possible, faults) if one not in changed]
        changed += _settle_dependents(name, states, possible, faults)
        work.extend(one for one in dict.fromkeys(changed) if one not in work)
    return possible, tuple(faults[name] for name in BY_NAME if name in faults)


def _settle_dependents(
    name: str, states: Mapping[str, State], possible: dict[str, Possible], faults: dict[str, Fault]
) -> list[str]:
    """Bring what hangs on a fact into agreement with it; the names that changed."""
    changed = []
    for other in _DEPENDENTS[name]:
        fact = BY_NAME[other]
        allowed = _allowed_now(fact, possible)
        stated = states.get(other)
        if isinstance(stated, NotApplicable) and _surely_applies(fact, possible):
            faults.setdefault(other, _contradiction(fact, stated, states, possible))
        if allowed == possible[other]:
            continue
        if possible[other].applies and (not allowed.applies or (fact.words and not allowed.words)):
            blamed = _blamed(other, states) if stated is None else other
            if blamed:
                faults.setdefault(blamed, _contradiction(BY_NAME[blamed], states[blamed], states, possible))
                continue
        possible[other] = allowed
        changed.append(other)
    return changed


def _blamed(name: str, states: Mapping[str, State]) -> str:
    """The first stated fact whose words or meaning hang on an unstated one, or ""."""
    told = (one for one in _DEPENDENTS[name] if one in states and not isinstance(states[one], NotApplicable))
    return next(told, "")


def _allowed_now(fact: Fact, possible: Mapping[str, Possible]) -> Possible:
    """What the parents leave of what was possible of a fact; no look at what was stated."""
    now = possible[fact.name]
    if not now.applies:
        return now
    surely = True
    for parent, allowing in _APPLIES[fact.name]:
        have = possible[parent]
        if not have.applies or allowing.isdisjoint(have.words):
            return NO_MEANING
        surely = surely and not have.may_lack and allowing.issuperset(have.words)
    if fact.within is None and (not now.may_lack or not surely):
        return now
    words = now.words
    if fact.within is not None and possible[fact.within[0]].applies:
        parent, table = fact.within
        allowed = {word for key in possible[parent].words for word in table.get(key, fact.words)}
        if not allowed.issuperset(words):
            words = tuple(word for word in words if word in allowed)
    return Possible(words, now.low, now.high, applies=True, may_lack=now.may_lack and not surely)


def _surely_applies(fact: Fact, possible: Mapping[str, Possible]) -> bool:
    return all(
        possible[parent].applies and not possible[parent].may_lack and allowing.issuperset(possible[parent].words)
        for parent, allowing in _APPLIES[fact.name]
    )


def _narrow_parents(fact: Fact, states: Mapping[str, State], possible: dict[str, Possible]) -> list[str]:
    """A fact that surely has a meaning says something of what gives it one. Never narrows to nothing."""
    changed = []
    for parent, keep in _says_of_parents(fact, states.get(fact.name), possible):
        before = possible[parent]
        if len(before.words) == 1 and not before.may_lack:
            continue  # settled already, or in contradiction: then the parent's own turn finds the fault
        words = tuple(word for word in before.words if word in keep)
        if words and (words != before.words or before.may_lack):
            possible[parent] = Possible(words, before.low, before.high, applies=True, may_lack=False)
            changed.append(parent)
    return changed


def _says_of_parents(
    fact: Fact, stated: State | None, possible: Mapping[str, Possible]
) -> list[tuple[str, tuple[str, ...]]]:
    if isinstance(stated, NotApplicable):
        if len(fact.applies) != 1:
            return []
        parent, words = fact.applies[0]
        return [(parent, tuple(word for word in BY_NAME[parent].words if word not in words))]
    mine = possible[fact.name]
    if not mine.applies or mine.may_lack:
        return []
    said = list(fact.applies)
    if fact.within is not None:
        parent, table = fact.within
        said.append((parent, tuple(key for key, words in table.items() if any(word in mine.words for word in words))))
    return said


def _shown(state: State) -> str:
    if isinstance(state, NotApplicable):
        return "not applicable"
    if hasattr(state, "value"):
        return f"{state.value:g}" if isinstance(state.value, float) else str(state.value)
    if hasattr(state, "words"):
        return ", ".join(state.words)
    return f"{state.low:g} to {state.high:g}"


def _contradiction(fact: Fact, stated: State, states: Mapping[str, State], possible: Mapping[str, Possible]) -> Fault:
    reasons = [
        f"{parent} in {', '.join(words)}"
        for parent, words in fact.applies
        if not any(word in words for word in possible[parent].words) or isinstance(stated, NotApplicable)
    ]
    beside = ", ".join(f"{name} = {_shown(states[name])}" for name in _against(fact) if name in states)
    if isinstance(stated, NotApplicable):
        problem = f"has a meaning here ({beside or 'it always has'})"
    elif reasons:
        problem = f"has no meaning beside {beside or 'the other facts'}"
    else:
        problem = f"contradicts {beside or 'the other facts'}"
    allowed = "only with " + " and ".join(reasons) if reasons else _words_beside(fact, possible)
    return Fault("contradiction", fact.name, _shown(stated), problem, allowed, fact.unit)


def _against(fact: Fact) -> tuple[str, ...]:
    """What a fact hangs on, and what that hangs on: what it can contradict."""
    found: dict[str, None] = {}
    work = [fact]
    while work:
        one = work.pop(0)
        parents = [parent for parent, _ in one.applies] + ([one.within[0]] if one.within else [])
        found.update(dict.fromkeys(parents))
        work.extend(BY_NAME[parent] for parent in parents)
    return tuple(found)


def _words_beside(fact: Fact, possible: Mapping[str, Possible]) -> str:
    if fact.within is None:
        return fact.allowed_text()
    parent, table = fact.within
    return ", ".join(sorted({word for key in possible[parent].words for word in table.get(key, ())}))


#: In each pair the first number cannot exceed the second.
NOT_MORE_THAN = (
    ("fibres_down_count", "cable_fibre_count"),
    ("fibres_in_service_count", "fibres_down_count"),
    ("life_line_fibres_count", "fibres_in_service_count"),
    ("live_neighbours_count", "cable_fibre_count"),
    ("spare_fibres_count", "cable_fibre_count"),
    ("wind_mean_mps", "wind_gust_mps"),
)


def _bound_counts(states: Mapping[str, State], possible: dict[str, Possible], faults: dict[str, Fault]) -> None:
    """Numbers that cannot exceed each other, link by link of their chains: what is stated of the last bounds the first
    from above, and the other way round from below."""
    for pairs in (NOT_MORE_THAN, NOT_MORE_THAN[::-1]):
        told = set(states)
        for less, more in pairs:
            if less in told or more in told:
                _bound_by(less, more, states, possible, faults)
                told.update((less, more))


def _bound_by(
    less: str, more: str, states: Mapping[str, State], possible: dict[str, Possible], faults: dict[str, Fault]
) -> None:
    """Two numbers of which one cannot exceed the other bound each other; a contradiction is a fault."""
    first, second = possible[less], possible[more]
    if not first.applies or not second.applies:
        return
    if first.low > second.high:
        shown = _shown(states[less]) if less in states else f"at least {first.low:g}"
        beside = _shown(states[more]) if more in states else f"at most {second.high:g}"
        problem = f"is more than {more} = {beside}"
        faults[less] = Fault("contradiction", less, shown, problem, f"at most {second.high:g}", BY_NAME[less].unit)
        return
    possible[less] = Possible((), first.low, min(first.high, second.high), True, first.may_lack)
    possible[more] = Possible((), max(second.low, first.low), second.high, True, second.may_lack)
