"""Are the bad joints one thing? The chance of a common cause after some bad results in a row.

Tries are not independent: glass, cleaver or machine may spoil every one of them. Each further bad result makes
that likelier, and past a figure of the policy's the answer is to look for it, not to try again. Plus, minus,
times and divide only.
"""

from __future__ import annotations

from collections.abc import Sequence

from repairadvisor.errors import OpticsError
from repairadvisor.optics.valid_range import in_range


def chance_of_common_cause(prior: float, bad_if_cause: float, bad_if_none: float, bad_results: int) -> float:
    """Chance that a common cause is at work after ``bad_results`` (0 to 100) bad tries in a row.

    ``prior`` chance of one beforehand; chance of a bad try with and without it. Errors: OpticsError for a
    chance outside 0 to 1, or where such a row could not have happened. Source: Bayes' rule.
    """
    for chance in (prior, bad_if_cause, bad_if_none):
        in_range("chance", chance, 0.0, 1.0, "1")
    in_range("bad results", bad_results, 0, 100, "1")
    cause, none = prior, 1.0 - prior
    for _ in range(bad_results):
        cause *= bad_if_cause
        none *= bad_if_none
        if cause + none <= 0.0:
            raise OpticsError("bad results", bad_results, "a row that can happen", "1")
        cause, none = cause / (cause + none), none / (cause + none)
    return cause


def bad_results_to_look_for_cause(prior: float, bad_if_cause: float, bad_if_none: float, figure: float) -> int:
    """How many bad tries in a row raise the chance of a common cause to ``figure``.

    Errors: OpticsError for a figure outside 0 to 1 or one that a hundred bad tries do not reach.
    """
    in_range("figure", figure, 0.0, 1.0, "1")
    for bad_results in range(101):
        if chance_of_common_cause(prior, bad_if_cause, bad_if_none, bad_results) >= figure:
            return bad_results
    raise OpticsError("figure", figure, "what a hundred bad results in a row can reach", "1")


def mixture(without: Sequence[float], with_cause: Sequence[float], chance: float) -> tuple[float, ...]:
    """Chances on a grid when a cause is at work with ``chance`` (0 to 1); the shorter counts as ending in 0."""
    in_range("chance", chance, 0.0, 1.0, "1")
    length = max(len(without), len(with_cause))
    clean = [*without, *[0.0] * (length - len(without))]
    spoilt = [*with_cause, *[0.0] * (length - len(with_cause))]
    return tuple((1.0 - chance) * a + chance * b for a, b in zip(clean, spoilt, strict=True))


def tries_with_common_cause(
    without: Sequence[float],
    with_cause: Sequence[float],
    prior: float,
    bad: tuple[float, float],
    tries: int,
) -> tuple[tuple[float, ...], ...]:
    """Chances on a grid of the first, second, ... try, each after only bad ones before it.

    ``bad`` is the chance of a bad try with the cause and without it; tries 1 to 20. Errors: OpticsError.
    """
    in_range("number of tries", tries, 1, 20, "1")
    return tuple(
        mixture(without, with_cause, chance_of_common_cause(prior, bad[0], bad[1], bad_results))
        for bad_results in range(tries)
    )
