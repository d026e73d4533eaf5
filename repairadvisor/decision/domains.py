"""What is left of each fact while a world is looked for: words, a stretch of numbers, and whether it means anything.

A condition is judged over what is left: true, false, or not decided yet. What is left of one fact narrows others:
meanings hang on other facts, words on words, counts bound counts, and a derived fact lies in the interval that its
parts leave. Every narrowing takes away only what no world has.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from repairadvisor.decision.implicants import family
from repairadvisor.facts.context import NOT_MORE_THAN
from repairadvisor.facts.vocabulary import BY_NAME, Fact
from repairadvisor.policy.condition import AtLeast, Below, Condition, Every, IsOneOf, Not, Some
from repairadvisor.policy.model import Derived, Term
from repairadvisor.policy.read_rules import parents_of

Comparison = IsOneOf | Below | AtLeast


@dataclass(frozen=True, slots=True)
class Domain:
    """``words``, or the numbers from ``low`` to ``high`` (``high`` itself only where ``closed``); ``meant`` and
    ``lacks`` tell whether it may have a meaning and whether it may have none."""

    words: tuple[str, ...]
    low: float
    high: float
    closed: bool
    meant: bool
    lacks: bool

    @property
    def empty(self) -> bool:
        """Whether nothing is left at all."""
        return not self.meant and not self.lacks


Domains = dict[str, Domain]


def blank(name: str, derived: Mapping[str, Derived]) -> Domain:
    """Everything that a fact or a derived fact may be."""
    fact = BY_NAME.get(name)
    if fact is not None:
        return Domain(fact.words, fact.low, fact.high, True, True, bool(fact.applies))
    lead = BY_NAME[derived[name].terms[0].fact]
    return Domain((), -math.inf, math.inf, True, True, bool(lead.applies))


def all_of(names: Iterable[str], derived: Mapping[str, Derived]) -> Domains:
    """Blank domains of facts and derived facts, of their parts, and of all that gives any of them a meaning."""
    found = dict.fromkeys(names)
    for name in tuple(found):
        if name in derived:
            found.update(dict.fromkeys(parents_of(derived[name])))
    return {name: blank(name, derived) for name in family(tuple(found))}


def truth(condition: Condition, domains: Mapping[str, Domain]) -> bool | None:
    """Whether a condition holds in every world that is left, in none, or (None) that is not decided yet."""
    if isinstance(condition, Not):
        inner = truth(condition.part, domains)
        return None if inner is None else not inner
    if isinstance(condition, Every | Some):
        wanted = isinstance(condition, Some)
        undecided = False
        for part in condition.parts:
            judged = truth(part, domains)
            if judged is wanted:
                return wanted
            undecided = undecided or judged is None
        return None if undecided else not wanted
    yes, no = split(condition, domains[condition.fact])
    if yes.empty:
        return False
    return True if no.empty else None


def split(one: Comparison, domain: Domain) -> tuple[Domain, Domain]:
    """What is left where a comparison holds, and where it does not."""
    if not domain.meant:
        return replace(domain, lacks=False), domain
    if isinstance(one, IsOneOf):
        inside = tuple(word for word in domain.words if word in one.words)
        outside = tuple(word for word in domain.words if word not in one.words)
        yes = replace(domain, words=inside, meant=bool(inside), lacks=False)
        return yes, replace(domain, words=outside, meant=bool(outside))
    low = replace(domain, high=min(domain.high, one.value), closed=domain.closed and domain.high < one.value)
    low = replace(low, meant=_some_number(low))
    high = replace(domain, low=max(domain.low, one.value))
    high = replace(high, meant=_some_number(high))
    if isinstance(one, Below):
        return replace(low, lacks=False), high
    return replace(high, lacks=False), low


def _some_number(domain: Domain) -> bool:
    return domain.low < domain.high or (domain.closed and domain.low == domain.high)


def undecided(condition: Condition, domains: Mapping[str, Domain]) -> list[Comparison]:
    """The comparisons on which a condition still hangs, from left to right."""
    if isinstance(condition, Not):
        return undecided(condition.part, domains)
    if truth(condition, domains) is not None:
        return []
    if isinstance(condition, Every | Some):
        return [one for part in condition.parts for one in undecided(part, domains)]
    return [condition]


class Narrowing:
    """What facts and derived facts say of each other, made once for the facts in question."""

    def __init__(self, names: Iterable[str], derived: Mapping[str, Derived], *, as_told: bool = False) -> None:
        """``as_told`` counts with every part of a derived fact known; without, one that has a figure for what nobody
        told is left free."""
        self.names = tuple(names)
        self.facts = tuple(BY_NAME[name] for name in self.names if name in BY_NAME)
        self.derived = {name: derived[name] for name in self.names if name in derived}
        self.free = {
            name
            for name, one in self.derived.items()
            if not as_told and any(term.if_unknown is not None for term in one.terms)
        }
        self.pairs = tuple(pair for pair in NOT_MORE_THAN if set(pair) <= set(self.names))

    def narrowed(self, domains: Domains) -> Domains | None:
        """The domains brought to agree with each other; None where no world is left."""
        left = dict(domains)
        changed = True
        while changed:
            before = dict(left)
            for fact in self.facts:
                if fact.whole:
                    left[fact.name] = _whole(left[fact.name])
                _by_meaning(fact, left)
                _by_words(fact, left)
            for less, more in self.pairs:
                _by_count(less, more, left)
            for name, derived in self.derived.items():
                _by_parts(name, derived, left, free=name in self.free)
            if any(domain.empty for domain in left.values()):
                return None
            changed = left != before
        return left


def _whole(domain: Domain) -> Domain:
    """The whole numbers of a stretch, from the first to the last."""
    low = float(math.ceil(domain.low))
    high = float(math.floor(domain.high)) if domain.closed else float(math.ceil(domain.high) - 1)
    return replace(domain, low=low, high=high, closed=True, meant=domain.meant and low <= high)


def _by_meaning(fact: Fact, left: Domains) -> None:
    """A fact has a meaning exactly where all that give it one do."""
    if not fact.applies:
        return
    mine = left[fact.name]
    judged = [truth(IsOneOf(parent, words), left) for parent, words in fact.applies]
    if False in judged:
        mine = replace(mine, meant=False)
    elif None not in judged:
        mine = replace(mine, lacks=False)
    left[fact.name] = mine
    if not mine.lacks and None in judged:
        for parent, words in fact.applies:
            left[parent] = split(IsOneOf(parent, words), left[parent])[0]
    elif not mine.meant and judged.count(None) == 1 and False not in judged:
        parent, words = fact.applies[judged.index(None)]
        left[parent] = split(IsOneOf(parent, words), left[parent])[1]


def _by_words(fact: Fact, left: Domains) -> None:
    """Words of a fact that stand beside words of another."""
    if fact.within is None:
        return
    parent, table = fact.within
    mine, other = left[fact.name], left[parent]
    if not mine.meant or not other.meant:
        return
    if not other.lacks:
        beside = {word for key in other.words for word in table.get(key, fact.words)}
        words = tuple(word for word in mine.words if word in beside)
        left[fact.name] = replace(mine, words=words, meant=bool(words))
    if not mine.lacks:
        keep = tuple(key for key in other.words if set(table.get(key, fact.words)) & set(mine.words))
        left[parent] = replace(other, words=keep, meant=bool(keep))


def _by_count(less: str, more: str, left: Domains) -> None:
    first, second = left[less], left[more]
    if first.lacks or second.lacks:
        return
    if first.high > second.high or (first.high == second.high and first.closed and not second.closed):
        first = replace(first, high=second.high, closed=second.closed)
    if second.low < first.low:
        second = replace(second, low=first.low)
    left[less] = replace(first, meant=first.meant and _some_number(first))
    left[more] = replace(second, meant=second.meant and _some_number(second))


def _by_parts(name: str, derived: Derived, left: Domains, *, free: bool) -> None:
    mine, lead = left[name], left[derived.terms[0].fact]
    mine = replace(mine, meant=mine.meant and lead.meant, lacks=mine.lacks and lead.lacks)
    left[derived.terms[0].fact] = replace(lead, meant=lead.meant and mine.meant, lacks=lead.lacks and mine.lacks)
    if mine.meant and not free:
        low, high = interval(derived, left)
        closed = mine.closed if mine.high <= high else True
        mine = replace(mine, low=max(mine.low, low), high=min(mine.high, high), closed=closed)
        mine = replace(mine, meant=_some_number(mine))
    left[name] = mine


def interval(derived: Derived, domains: Mapping[str, Domain]) -> tuple[float, float]:
    """Between what a derived fact lies for what is left of its parts, where its first part has a meaning."""
    low = high = derived.constant
    for i, term in enumerate(derived.terms):
        one_low, one_high = _term(term, domains, lead=i == 0)
        low, high = low + one_low, high + one_high
    return low, high


def _term(term: Term, domains: Mapping[str, Domain], *, lead: bool) -> tuple[float, float]:
    mine = domains[term.fact]
    counts = True if lead else _counts(term, domains)
    if counts is False:
        return 0.0, 0.0
    ends = [term.times * mine.low, term.times * mine.high]
    if counts is None:
        ends.append(0.0)
    return min(ends), max(ends)


def _counts(term: Term, domains: Mapping[str, Domain]) -> bool | None:
    mine = domains[term.fact]
    judged = [None if mine.lacks and mine.meant else mine.meant]
    if term.where is not None:
        judged.append(truth(IsOneOf(*term.where), domains))
    if False in judged:
        return False
    return None if None in judged else True
