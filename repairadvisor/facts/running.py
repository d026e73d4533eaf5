"""Times that run: an age grows and an arrival comes nearer, from the moment at which it was seen."""

from __future__ import annotations

from repairadvisor.facts.value import Between, Known, State
from repairadvisor.facts.vocabulary import Fact


def run_on(fact: Fact, state: State, minutes: float) -> State:
    """A time that runs, ``minutes`` further on, within what the fact can be; what has come is there."""
    by = minutes if fact.time_runs == "ago" else -minutes

    def move(value: float) -> float:
        return min(max(value + by, fact.low), fact.high)

    if isinstance(state, Between):
        return Between(move(state.low), move(state.high))
    return Known(move(float(state.value))) if isinstance(state, Known) else state


def since_seen(fact: Fact, state: State, minutes: float) -> State:
    """A time that runs as it is now, seen ``minutes`` ago. What may have happened again since is from nothing on."""
    if minutes <= 0.0:
        return state
    moved = run_on(fact, state, minutes)
    if not fact.recurs:
        return _one_value(moved)
    high = moved.high if isinstance(moved, Between) else moved.value if isinstance(moved, Known) else None
    return moved if high is None else _one_value(Between(fact.low, float(high)))


def _one_value(state: State) -> State:
    return Known(state.low) if isinstance(state, Between) and state.low == state.high else state
