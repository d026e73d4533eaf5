"""Are the bad joints one thing? The chance of a common cause after some bad results in a row.

Tries are not independent: glass, cleaver or machine may spoil every one of them. Each further bad result makes
that likelier, and past a figure of the policy's the answer is to look for it, not to try again. In a plan a bad
result is an attempt that fails; a clean one that loses too much says nothing of a cause. Plus, minus, times and
divide only.
"""

from __future__ import annotations

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


def failure_chances(calibrated: float, prior: float, failing_with_cause: float, attempts: int) -> tuple[float, ...]:
    """Chance that the first, second, ... attempt fails, each after only failed ones before it.

    ``calibrated`` is that of the first, causes included; ``prior`` the chance that a common cause is at work and
    ``failing_with_cause`` that of failing then. Attempts 1 to 20. Errors: OpticsError, also where the causes alone
    fail oftener than ``calibrated``. Source: Bayes' rule.
    """
    in_range("number of attempts", attempts, 1, 20, "1")
    without = failing_without(calibrated, prior, failing_with_cause)
    found = []
    for failed in range(attempts):
        cause = chance_of_common_cause(prior, failing_with_cause, without, failed) if calibrated > 0.0 else prior
        found.append(cause * failing_with_cause + (1.0 - cause) * without)
    return tuple(found)


def failing_without(calibrated: float, prior: float, failing_with_cause: float) -> float:
    """Chance of failing where no common cause is at work, from that over all. Errors: OpticsError."""
    for chance in (calibrated, prior, failing_with_cause):
        in_range("chance", chance, 0.0, 1.0, "1")
    in_range("chance of failing by a common cause", prior * failing_with_cause, 0.0, calibrated, "1")
    return (calibrated - prior * failing_with_cause) / (1.0 - prior) if prior < 1.0 else calibrated
