"""What another policy would change, as lines for whoever decides about it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from repairadvisor.decision.policy_comparison import Claim, Example, LoadMoved, Moved, PolicyComparison
from repairadvisor.render.figures import plain, short, words
from repairadvisor.render.sentences import one_line

_SHORT = 12


def render(found: PolicyComparison, faults: str) -> str:
    """The whole comparison; ``faults`` says what it was made on."""
    lines = [headline(found), f"On {faults}.", f"Old policy {found.old}", f"New policy {found.new}"]
    for heading, part in parts(found):
        lines += ["", heading, *(f"  {one_line(line)}" for line in part)]
    for number, one in enumerate(found.worst, 1):
        heading = "Look at these first" if number == 1 else ""
        lines += ["", heading] if heading else []
        lines += [f"  {number}. {one.case}: {place(one)}", *(f"     {one_line(line)}" for line in example(one, found))]
    return "\n".join(lines) + "\n"


def headline(found: PolicyComparison) -> str:
    """How many answers change, in one sentence."""
    if not found.cases:
        return "There was nothing to compare the policies on."
    if not found.changed:
        return f"The new policy changes none of {found.cases} answers."
    share = plain(100.0 * found.changed / found.cases, 1)
    return f"The new policy changes {found.changed} of {found.cases} answers ({share} %)."


def parts(found: PolicyComparison) -> Iterator[tuple[str, list[str]]]:
    """The parts that have something to say, each under its heading."""
    for heading, lines in (
        ("How far people go", _caution(found)),
        ("What is done", [_moved(one, words) for one in found.actions]),
        ("Which way it is repaired", _plans(found)),
        ("Money", _money(found)),
        (f"Vans loaded otherwise: {found.load_changed} of {found.cases}", _load(found.load)),
        (f"Claims: {found.claims} looked at, {len(found.claims_ceased)} no longer hold", _claims(found.claims_ceased)),
    ):
        if lines:
            yield heading, lines


def _caution(found: PolicyComparison) -> list[str]:
    lines = []
    if found.lets_more:
        lines.append(f"{found.lets_more}: the new policy lets people go further than the old one")
    if found.holds_more:
        lines.append(f"{found.holds_more}: the new policy holds people back more than the old one")
    if found.old_plan_refused:
        lines.append(f"{found.old_plan_refused}: the new policy does not allow the repair that the old one advises")
    return lines


def _moved(one: Moved, said: object = str) -> str:
    old, new = (words(part) if said is words else part for part in (one.old, one.new))
    return f"{one.count}: {old or 'no repair now'} -> {new or 'no repair now'}"


def _plans(found: PolicyComparison) -> list[str]:
    more = [f"{found.plans_not_told} more in other ways"] if found.plans_not_told else []
    return [*(_moved(one) for one in found.plans), *more]


def _money(found: PolicyComparison) -> list[str]:
    lines = []
    if found.costs is not None:
        old = _money_said(found.costs.old_mean, found.old_currency)
        new = _money_said(found.costs.new_mean, found.currency)
        lines.append(
            f"A job is expected to cost {old} on average by the old policy, {new} by the new one, each by its own "
            f"prices ({found.costs.cases} jobs)"
        )
    if (change := found.change_costs) is not None:
        lines.append(
            f"By the new prices, keeping the old way where it changes would cost {more(change.mean, found.currency)} "
            f"on average, from {more(change.least, found.currency)} to {more(change.most, found.currency)} "
            f"({change.cases} jobs in which both can be priced)"
        )
    return lines


def _money_said(value: float, currency: str) -> str:
    return f"{short(value, 0 if abs(value) >= 10 else 1)} {currency}".rstrip()


def more(value: float, currency: str) -> str:
    """An amount against another one."""
    return f"{_money_said(abs(value), currency)} {'less' if value < 0 else 'more'}"


def _load(load: Sequence[LoadMoved]) -> list[str]:
    return [f"{one.item}: more of it for {one.more}, less for {one.less}" for one in load]


def _claims(ceased: Sequence[Claim]) -> list[str]:
    return [f"{one.said} ({'does not hold' if one.holds is False else 'not known to hold'})" for one in ceased]


def place(one: Example) -> str:
    """Where the fault is and what is seen of it, as far as that is told."""
    told = [one.facts.get(name) for name in ("place", "fault_seen")]
    known = [words(str(fact["value"])) for fact in told if isinstance(fact, dict) and "value" in fact]
    return ", ".join(known) or "place not known"


def example(one: Example, found: PolicyComparison) -> list[str]:
    """What the old and the new policy say of one fault, and why it stands among the first."""
    lines = [f"Old: {one.old_say}", f"New: {one.new_say}"]
    if one.lets_more:
        lines.append("The new policy lets people go further here.")
    if one.old_plan_refused:
        lines.append("The new policy does not allow the old repair here.")
    elif one.old_plan_costs_more is not None:
        lines.append(f"By the new prices the old way costs {more(one.old_plan_costs_more, found.currency)}.")
    return [*lines, *(f"Why: {line}" for line in one.because)]
