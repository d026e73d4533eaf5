"""What to beware of: cautions of hazards known to be there, whole and before the step they concern; those owed
to an unknown stand beside the check that clears it. Nothing else is printed, or nothing is read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from repairadvisor.decision.advice import Caution, Check
from repairadvisor.decision.screens import BARRED, OPEN
from repairadvisor.policy.model import Caution as CautionRow
from repairadvisor.policy.plan import Plan

KNOWN, UNKNOWN = "known", "unknown"


@dataclass(frozen=True, slots=True)
class Owed:
    """A caution that is owed, and why: its row and whether its hazard is known to be there."""

    row: CautionRow
    owed_to: str


def owed(rows: Sequence[tuple[CautionRow, str]], plan: Plan | None) -> list[Owed]:
    """The cautions owed for a plan (None: nothing is done, so only those that belong to no plan).

    ``rows`` come with the status of their condition. A hazard that may be there is owed like one that is,
    and says so: unknown is never read as safe.
    """
    found: dict[str, Owed] = {}
    for row, status in rows:
        fits = plan.fits(row.plans) if plan is not None else not row.plans
        if not fits or status not in (BARRED, OPEN):
            continue
        owed_to = KNOWN if status == BARRED else UNKNOWN
        if row.tag not in found or (found[row.tag].owed_to == UNKNOWN and owed_to == KNOWN):
            found[row.tag] = Owed(row, owed_to)
    return list(found.values())


def placed(
    cautions: Sequence[Owed],
    extra: Sequence[str],
    texts: Mapping[str, str],
    numbers: Mapping[str, int],
    checks: Sequence[Check],
    *,
    harm_unknown: bool,
) -> tuple[Caution, ...]:
    """Each caution once, before its step or beside its check.

    One owed to an unknown without a check of its own is printed only where work is done (``harm_unknown``) and it is
    one of harm. ``extra`` are tags that barred or open screens bring along; ``numbers`` maps step ids to step numbers.
    """
    beside = {tag: check.screen for check in reversed(checks) for tag in check.cautions}
    found: dict[str, Caution] = {}
    for one in cautions:
        if one.owed_to == UNKNOWN and one.row.tag not in beside and not (harm_unknown and one.row.of_harm):
            continue
        step = numbers.get(one.row.before, 0)
        check = beside.get(one.row.tag, "") if one.owed_to == UNKNOWN else ""
        found[one.row.tag] = Caution(one.row.tag, one.row.text, step, one.owed_to, check)
    for tag in extra:
        if tag not in found:
            found[tag] = Caution(tag, texts[tag], 0, UNKNOWN if tag in beside else KNOWN, beside.get(tag, ""))
    known = [one for one in found.values() if one.owed_to == KNOWN]
    unknown = [one for one in found.values() if one.owed_to == UNKNOWN]
    return tuple(sorted(known, key=lambda one: one.before_step) + sorted(unknown, key=lambda one: one.before_step))
