"""A world in which conditions hold or fail as wanted, or the certainty that there is none.

What is left of the facts is halved at a comparison on which something still hangs, and given up as soon as a condition
is surely not as wanted. Nothing is enumerated that no condition tells apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from repairadvisor.decision.domains import (
    Domain,
    Domains,
    Narrowing,
    all_of,
    interval,
    split,
    truth,
    undecided,
)
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import Condition, facts_of
from repairadvisor.policy.model import Derived

#: A condition, and whether it is to hold.
Wanted = tuple[Condition, bool]
Progress = Callable[[int], None]
MOST_BRANCHES = 200_000
_MOST_HALVINGS = 400
_EVERY_SO_MANY = 500


class TooManyBranchesError(Exception):
    """Nothing is decided: more branches than the search may take."""


@dataclass(slots=True)
class Effort:
    """Branches looked at so far, told to ``progress`` now and then; how many a search may take in all."""

    progress: Progress | None = None
    most: int = MOST_BRANCHES
    branches: int = 0
    told: int = field(default=0, repr=False)

    def one_more(self) -> None:
        self.branches += 1
        if self.branches > self.most:
            raise TooManyBranchesError
        if self.progress is not None and self.branches - self.told >= _EVERY_SO_MANY:
            self.told = self.branches
            self.progress(self.branches)


def leaves(wanted: Sequence[Wanted], derived: Mapping[str, Derived], effort: Effort) -> Iterator[Domains]:
    """What is left of the facts, in parts, wherever every condition surely is as wanted; nothing where no world is.

    Derived facts are held to the interval of their parts, which lets in worlds that cannot be and leaves none out.
    Raises :class:`TooManyBranchesError`.
    """
    start = all_of([name for condition, _ in wanted for name in facts_of(condition)], derived)
    narrowing = Narrowing(start, derived)
    first = narrowing.narrowed(start)
    if first is not None:
        yield from _below(first, list(wanted), narrowing, effort)


def _below(domains: Domains, wanted: list[Wanted], narrowing: Narrowing, effort: Effort) -> Iterator[Domains]:
    effort.one_more()
    open_ones: list[Wanted] = []
    for condition, want in wanted:
        judged = truth(condition, domains)
        if judged is None:
            open_ones.append((condition, want))
        elif judged is not want:
            return
    if not open_ones:
        yield domains
        return
    # The narrowest first: it is the likeliest to end the branch. The claim stands first among equals.
    choices = [undecided(condition, domains) for condition, _ in open_ones]
    one = min(choices, key=len)[0]
    for half in split(one, domains[one.fact]):
        if half.empty:
            continue
        narrowed = narrowing.narrowed({**domains, one.fact: half})
        if narrowed is not None:
            yield from _below(narrowed, open_ones, narrowing, effort)


def points(leaf: Domains, derived: Mapping[str, Derived]) -> dict[str, str | float | None] | None:
    """One world of a leaf: a word, a number or None for every fact, with derived facts worked out. None where none was
    found, which does not say that there is none."""
    narrowing = Narrowing(leaf, derived, as_told=True)
    first = narrowing.narrowed(leaf)
    if first is None:
        return None
    return _settled(first, narrowing, Effort(most=_MOST_HALVINGS))


def _settled(domains: Domains, narrowing: Narrowing, effort: Effort) -> dict[str, str | float | None] | None:
    try:
        effort.one_more()
    except TooManyBranchesError:
        return None
    halves = _in_words(domains) or _in_sums(domains, narrowing) or _in_counts(domains, narrowing)
    if halves is None:
        return _world(domains, narrowing)
    for name, half in halves:
        narrowed = narrowing.narrowed({**domains, name: half})
        found = None if narrowed is None else _settled(narrowed, narrowing, effort)
        if found is not None:
            return found
    return None


Halves = list[tuple[str, Domain]]


def _in_words(domains: Domains) -> Halves | None:
    """The first fact of which it is open whether it has a meaning, or which word: its cases one by one."""
    for name, domain in domains.items():
        if domain.meant and (domain.lacks or len(domain.words) > 1):
            words: list[tuple[str, ...]] = [(word,) for word in domain.words] or [()]
            cases = [replace(domain, words=one, lacks=False) for one in words]
            return [(name, one) for one in cases] + ([(name, replace(domain, meant=False))] if domain.lacks else [])
    return None


def _in_sums(domains: Domains, narrowing: Narrowing) -> Halves | None:
    """Halves of the part that leaves most open of a derived fact which is not surely where it should be."""
    for name, derived in narrowing.derived.items():
        wanted = domains[name]
        if not wanted.meant or _inside(interval(derived, domains), wanted):
            continue
        parts = [term for term in derived.terms if _width(term.fact, domains) > 0.0]
        if parts:
            widest = max(parts, key=lambda term: abs(term.times) * _width(term.fact, domains))
            lower, upper = _halved(widest.fact, domains)
            low, high = interval(derived, domains)
            wants_more = wanted.low - low > high - wanted.high
            upper_first = wants_more == (widest.times > 0)
            pair = [(widest.fact, upper), (widest.fact, lower)]
            return pair if upper_first else pair[::-1]
    return None


def _in_counts(domains: Domains, narrowing: Narrowing) -> Halves | None:
    """A number that may not pass another is put at its least, so that the other has room."""
    for less, _ in narrowing.pairs:
        domain = domains[less]
        if domain.meant and _width(less, domains) > 0.0:
            at = _least(less, domain)
            return [(less, replace(domain, low=at, high=at, closed=True))]
    return None


def _inside(stretch: tuple[float, float], wanted: Domain) -> bool:
    low, high = stretch
    return wanted.low <= low and (high < wanted.high or (high == wanted.high and wanted.closed))


def _width(name: str, domains: Domains) -> float:
    domain = domains[name]
    return domain.high - domain.low if domain.meant else 0.0


def _halved(name: str, domains: Domains) -> tuple[Domain, Domain]:
    domain = domains[name]
    middle = 0.5 * (domain.low + domain.high)
    if BY_NAME[name].whole:
        middle = float(math.ceil(middle))
    if domain.high - domain.low < 1e-6:
        at = _least(name, domain)
        return replace(domain, low=at, high=at, closed=True), replace(domain, meant=False)
    return replace(domain, high=middle, closed=False), replace(domain, low=middle)


def _least(name: str, domain: Domain) -> float:
    return float(math.ceil(domain.low)) if BY_NAME[name].whole else domain.low


def _world(domains: Domains, narrowing: Narrowing) -> dict[str, str | float | None] | None:
    found: dict[str, str | float | None] = {}
    for fact in narrowing.facts:
        domain = domains[fact.name]
        if not domain.meant:
            found[fact.name] = None
        elif fact.words:
            found[fact.name] = domain.words[0]
        else:
            found[fact.name] = at = _least(fact.name, domain)
            if at > domain.high:
                return None
    at_points: Domains = {name: _at(domains[name], value) for name, value in found.items()}
    for name, derived in narrowing.derived.items():
        worked_out = interval(derived, at_points)
        if domains[name].meant and not _inside(worked_out, domains[name]):
            return None
        found[name] = worked_out[0] if domains[name].meant else None
    return found


def _at(domain: Domain, value: str | float | None) -> Domain:
    if value is None:
        return replace(domain, meant=False)
    if isinstance(value, str):
        return replace(domain, words=(value,))
    return replace(domain, low=value, high=value, closed=True)
