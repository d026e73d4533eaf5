"""What to carry: every item of the policy that the plans that can still win ask for, in quantities with spares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from repairadvisor.decision.advice import KitLine
from repairadvisor.policy.model import KitItem
from repairadvisor.policy.plan import Plan


@dataclass(frozen=True, slots=True)
class Need:
    """What one plan uses up: joints to make (ribbons count once), fibres to join, metres of cable let in."""

    plan: Plan
    joints: float
    fibres: float
    inserted_m: float


def kit_lines(items: Sequence[tuple[KitItem, bool]], needs: Sequence[Need]) -> tuple[KitLine, ...]:
    """The load for any of ``needs``: each item once, in the largest quantity that one plan asks for.

    ``items`` come with whether their condition may hold: what may be needed is carried.
    """
    lines = []
    for item, may_hold in items:
        wanted = [quantity(item, need) for need in needs if need.plan.fits(item.plans)]
        most = max(wanted, default=0.0)
        if may_hold and most > 0.0:
            lines.append(KitLine(item.name, most, item.unit, item.line_for))
    return tuple(lines)


def quantity(item: KitItem, need: Need) -> float:
    """How much of an item a plan needs: what it uses, and spares for retries on top."""
    used = (
        item.per_job
        + item.per_joint * need.joints
        + item.per_fibre * need.fibres
        + item.per_metre_inserted * need.inserted_m
    )
    if used <= 0.0:
        return 0.0
    wanted = used + max(item.spare_share * used, item.spare_least)
    whole = float(int(wanted))
    return whole + (wanted > whole) if item.round_up else wanted
