"""Gates before the redo rule, which no loss can buy: strength, clean faces, reflectance, bends, what the link loses.

Each gate looks at what was reported and says what it finds, or nothing. What is not known passes no gate: where it is
needed to keep a joint, it is asked for once everything else is well.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from repairadvisor.outcome.conclusions import Concluded, bend_excess_db, is_bend
from repairadvisor.outcome.reported import BELOW, UNKNOWN, Attempt
from repairadvisor.policy.model import JointSet, Number

#: What a gate asks for: to be made again, or one of the things to do first.
MAKE_AGAIN = ""


@dataclass(frozen=True, slots=True)
class Case:
    """A joint as it lies before the gates: the last attempt at it, of every fibre that was joined by it.

    ``concluded`` by fibre and nanometres. ``reflectance_limit_db`` of owner or service (None: there is none).
    ``unexplained_db``: what the link loses and its joints do not explain (None: not known).
    ``unlike_polish``: the polish of both plugs is told, and is not the same.
    """

    attempts: tuple[Attempt, ...]
    concluded: Mapping[str, Mapping[int, Concluded]]
    mode: str
    made: JointSet
    reflectance_limit_db: float | None
    unexplained_db: float | None
    unlike_polish: bool
    figures: Mapping[str, Number]

    @property
    def plug(self) -> bool:
        """Whether plugs are mated at it."""
        return self.made.pairs > 0

    @property
    def bare(self) -> bool:
        """Whether ends of bare fibre are joined at it, so that a pull can part them."""
        return self.made.sigma_offset_um > 0.0


@dataclass(frozen=True, slots=True)
class Stopped:
    """What a gate found: the reason, what to do first (``MAKE_AGAIN``: to be made again), and of which fibre."""

    reason: str
    do_first: str
    fibre: str
    figures: Mapping[str, float] = field(default_factory=dict)


Gate = Callable[[Case], Stopped | None]


def first_stop(case: Case) -> Stopped | None:
    """The first gate that does not let the joint through; None where all do."""
    for gate in _GATES:
        found = gate(case)
        if found is not None:
            return found
    return None


def wanted_to_keep(case: Case) -> Stopped | None:
    """What has to be known before a joint is kept that nothing speaks against; None where it is."""
    for one in case.attempts:
        if case.bare and one.pull_test == UNKNOWN:
            return Stopped("strength", "pull_test", one.fibre)
    for one in case.attempts:
        if _reflectance_needed(case) and _reflectance_unknown(case, one):
            return Stopped("reflectance", "measure_reflectance", one.fibre)
    return None


# --- the gates, in their order -------------------------------------------------------------------------------------


def _strength(case: Case) -> Stopped | None:
    for one in case.attempts:
        if one.pull_test == "failed":
            return Stopped("strength", MAKE_AGAIN, one.fibre)
    return None


def _polish(case: Case) -> Stopped | None:
    """An angled plug and a flat one do not mate: they leave a gap and scratch each other."""
    return Stopped("polish", MAKE_AGAIN, case.attempts[0].fibre) if case.plug and case.unlike_polish else None


def _inspection(case: Case) -> Stopped | None:
    """Dirt comes off; a scratch does not. What nobody has looked at counts as dirty."""
    if not case.plug:
        return None
    for one in case.attempts:
        if one.inspection == "damaged":
            return Stopped("inspection", MAKE_AGAIN, one.fibre)
    for one in case.attempts:
        if one.inspection != "clean":
            return Stopped("inspection", "clean", one.fibre)
    return None


def _reflectance(case: Case) -> Stopped | None:
    limit = case.reflectance_limit_db
    if limit is None:
        return None
    for one in case.attempts:
        value = one.reflectance_db
        if value is not None and value > limit and one.reflectance_bound != BELOW:
            return Stopped("reflectance", MAKE_AGAIN, one.fibre, {"reflectance": value, "limit": limit})
    return None


def _bend(case: Case) -> Stopped | None:
    for fibre, by_nm in case.concluded.items():
        excess = bend_excess_db(by_nm, case.mode)
        if excess is not None and is_bend(excess, case.figures):
            return Stopped("bend", "re_lay", fibre, {"excess": excess})
    return None


def _link_loss(case: Case) -> Stopped | None:
    if case.unexplained_db is None or case.unexplained_db <= case.figures["link_unexplained_db"].value:
        return None
    return Stopped("link_loss", "trace_whole_link", case.attempts[0].fibre, {"unexplained": case.unexplained_db})


def _measured(case: Case) -> Stopped | None:
    for one in case.attempts:
        if not case.concluded.get(one.fibre):
            return Stopped("not_measured", "measure_loss", one.fibre)
    return None


_GATES: Sequence[Gate] = (_strength, _polish, _inspection, _reflectance, _bend, _link_loss, _measured)


# --- reflectance that nobody has read --------------------------------------------------------------------------------


def _reflectance_needed(case: Case) -> bool:
    """Whether such joints come near the limit at all."""
    limit = case.reflectance_limit_db
    if limit is None:
        return False
    worst = max((number.value for number in case.made.reflectance_worst_db.values()), default=0.0)
    return worst > limit - case.figures["reflectance_to_spare_db"].value


def _reflectance_unknown(case: Case, attempt: Attempt) -> bool:
    """Nothing read, or nothing seen down to a value that is above the limit."""
    value, limit = attempt.reflectance_db, case.reflectance_limit_db
    return value is None or (limit is not None and value > limit)
