"""The parts of an advice as plain lines, for every renderer that writes text.

A line is whole: renderers break it to their width but never shorten it. Each function gives no line where the
advice has nothing to say.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby

from repairadvisor.decision.advice import Advice, Alternative, Barred, Loss, Question, Step
from repairadvisor.render import figures

#: Joints made again on each fibre; what is rarer is not worth a line.
_SELDOM = 0.005

HEADLINES = {
    "repair": "REPAIR",
    "ask_first": "ASK FIRST",
    "make_safe_and_wait": "MAKE SAFE AND WAIT",
    "stand_off": "STAND OFF",
    "out_of_scope": "OUT OF SCOPE",
}


def one_line(text: str) -> str:
    """The text without line breaks, runs of spaces, and signs that a terminal obeys instead of showing them."""
    line = " ".join(text.split())
    if line.isprintable():
        return line
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in line)


def headline(advice: Advice) -> str:
    """What to do, in one line that says it all."""
    action = HEADLINES[advice.action]
    if advice.say.upper().startswith(action):
        return one_line(action + advice.say[len(action) :])
    return one_line(f"{action}. {advice.say}")


def reason(advice: Advice) -> list[str]:
    """Why, and what comes before this advice."""
    lines = [f"Why: {advice.because}"] if advice.because else []
    if advice.defers_to:
        lines.append(advice.defers_to)
    return lines


def plan(advice: Advice) -> list[str]:
    """The plan in words, and how far it may count as a repair."""
    lines = []
    if advice.plan is not None:
        lines.append(f"Plan: {advice.plan.phrase}")
    if advice.continuity_only:
        lines.append(advice.continuity_only)
    return lines


def light(advice: Advice) -> list[str]:
    """What the plan costs in light."""
    if advice.loss is None:
        return [advice.loss_withheld] if advice.loss_withheld else []
    lost = advice.loss
    lines = [lost.margin_said] if lost.margin_said else []
    for wavelength, at in lost.by_wavelength.items():
        line = f"Added loss at {wavelength} nm: {figures.loss(at.p50_db)} as a rule, "
        line += f"{figures.loss(at.p95_db)} in 95 of 100, {figures.loss(at.p99_db)} in 99 of 100"
        line += f" (mean {figures.loss(at.mean_db)})"
        if at.margin_left_db is not None:
            line += f"; margin left {figures.loss(at.margin_left_db)}"
        lines.append(line)
    lines += _joints(lost)
    if advice.loss_withheld:
        lines.append(advice.loss_withheld)
    return lines


def _joints(lost: Loss) -> list[str]:
    attempts = f"at most {lost.attempts_each} attempts each" if lost.attempts_each > 1 else "each counted as made once"
    line = f"Joints on each fibre: {lost.joints}, {attempts}"
    if lost.inserted_m > 0:
        line += f"; {figures.quantity(lost.inserted_m, 'm')} inserted, {figures.loss(lost.inserted_loss_db)} of it"
    if lost.given_back_db:
        line += f"; {figures.loss(lost.given_back_db)} comes back"
    lines = [line, *_kept(lost), *(text for text in (lost.given_back_why, lost.chance_said) if text)]
    lines += [*lost.reflectance_said, *(text for text in (lost.reading_said,) if text)]
    return lines


def _kept(lost: Loss) -> list[str]:
    """Up to what a joint is good, and how often one has to be made again."""
    each = "each joint" if lost.joints > 1 else "the joint"
    limit = min((lost.good_up_to_db, *lost.keep_up_to_db[:1]))
    if not lost.keep_up_to_db:
        return [f"Keep {each} up to {figures.loss(limit)}; there is one attempt, so a worse one is reported"]
    line = f"Keep {each} up to {figures.loss(limit)}, make a worse one again"
    if lost.redos_expected < _SELDOM:
        return [line]
    return [f"{line}; that is to be expected {figures.how_often(lost.redos_expected, 'fibre')}"]


def limits(advice: Advice) -> list[str]:
    """Up to what joints are kept, where that is not the same for every joint and attempt."""
    rows = () if advice.loss is None else advice.loss.limits
    return [row.said for row in rows] if len(rows) > 1 else []


def crew(advice: Advice) -> list[str]:
    """How many, and authorised for what."""
    if advice.crew.in_words:
        return [f"Crew: {advice.crew.in_words}"]
    return [f"Crew: {figures.quantity(advice.crew.persons, 'persons')}"] if advice.crew.persons else []


def times_and_cost(advice: Advice) -> list[str]:
    """How long, when service is back, and what it is expected to cost."""
    lines = []
    if advice.work_min is not None:
        lines.append(f"Work: {_two_times(advice.work_min.p50, advice.work_min.p95)}")
    if advice.restored_after_min is not None:
        back = advice.restored_after_min
        lines.append(f"Service back after {_two_times(back.p50, back.p95)}")
        lines += [
            f"  {group.group}, {figures.quantity(group.fibres, 'fibres')}: {_two_times(group.p50, group.p95)}"
            for group in back.by_group
        ]
    if advice.expected_cost is not None:
        cost = advice.expected_cost
        parts = (
            ("labour", cost.labour),
            ("outage", cost.outage),
            ("materials", cost.materials),
            ("machine", cost.machine),
            ("joints again", cost.redo),
            ("second visit", cost.second_visit),
            ("later visit", cost.later_visit),
            ("failed check", cost.failed_check),
            ("waiting", cost.waiting),
        )
        of = ", ".join(f"{name} {figures.money(part, '')}" for name, part in parts if part != 0)
        total = figures.money(cost.total, cost.currency)
        lines.append(f"Expected cost: {total}" + (f" ({of})" if of else ""))
    return lines


def _two_times(p50: float, p95: float) -> str:
    return f"{figures.minutes(p50)} as a rule, {figures.minutes(p95)} in 95 of 100"


def wait(advice: Advice) -> list[str]:
    """Until when or which event, what to do meanwhile, and what follows."""
    if advice.wait is None:
        return []
    wanted = advice.wait
    line = f"Wait until {wanted.until}"
    if wanted.minutes is not None:
        line += f": about {figures.minutes(wanted.minutes)}"
    lines = [line, *(f"Meanwhile: {text}" for text in wanted.meanwhile)]
    if wanted.then_plan is not None:
        lines.append(f"Then: {wanted.then_plan.phrase}")
    return lines


def caution(text: str) -> str:
    """A caution, whole."""
    return f"CAUTION: {text}"


def checks(advice: Advice, beside: Mapping[str, tuple[str, ...]]) -> list[str]:
    """What must be certain first, each with the cautions beside it, and what its failing means.

    Where checks in a row fail alike, that is said once, after the last of them.
    """
    lines: list[str] = []
    for failing, alike in groupby(advice.checks_on_arrival, key=lambda check: check.if_it_fails):
        for check in alike:
            lines += [caution(text) for text in beside[check.screen]]
            lines.append(f"Make certain: {check.not_before}")
        if failing:
            lines.append(failing)
    for held in advice.fallbacks:
        lines.append(held.said)
        lines += [caution(text) for text in held.cautions]
        lines += [f"Make certain before that one: {text}" for text in held.not_before]
    return lines


def steps(advice: Advice, before: Mapping[int, tuple[str, ...]]) -> list[str]:
    """The steps, each after the cautions that concern it."""
    lines: list[str] = []
    for one in advice.steps:
        lines += [caution(text) for text in before[one.number]]
        lines.append(step(one))
    return lines


def step(one: Step) -> str:
    """A step and the limit that decides it is done."""
    return f"{one.number}. {one.text}" + (f" Limit: {one.limit}" if one.limit else "")


def questions(advice: Advice) -> list[str]:
    """What to find out; that there is nothing, where that is so."""
    asked = [question(one) for one in advice.questions]
    return asked or ([advice.questions_said] if advice.questions_said else [])


def question(one: Question) -> str:
    """One thing to find out."""
    whom = one.of_whom if one.of_whom.startswith("somebody") else f"the {one.of_whom}"
    line = f"Ask {figures.words(whom)}: {one.ask}"
    leading = [answer for answer in one.answers if answer.leads_to]
    if one.answers and not leading:
        line += f" ({' / '.join(figures.words(answer.answer) for answer in one.answers)})"
    if leading:
        line += " " + "; ".join(f"{figures.words(answer.answer)}: {answer.leads_to}" for answer in leading) + "."
    return line + (f" Because: {one.because}" if one.because else "")


def kit(advice: Advice) -> list[str]:
    """What to carry."""
    return [
        f"{figures.quantity(line.quantity, line.unit)}: {line.item}" + (f" ({line.line_for})" if line.line_for else "")
        for line in advice.kit
    ]


def alternative(one: Alternative, currency: str) -> str:
    """Another permitted plan and what it costs more, or less."""
    difference = figures.money(abs(one.costs_more), currency)
    if difference == figures.money(0, currency):
        line = f"{one.plan.phrase}: costs the same"
    else:
        line = f"{one.plan.phrase}: costs {difference} {'more' if one.costs_more > 0 else 'less'}"
    if one.p50_db is not None:
        line += f", loss {figures.loss(one.p50_db)}"
    return line + (f". {one.why_not}" if one.why_not else "")


def barred(one: Barred) -> str:
    """Plans that may not be done, why, and what would lift the bar."""
    line = f"{one.plans}: {one.because}"
    if one.facts:
        line += f" [{', '.join(figures.words(name) for name in one.facts)}]"
    lift = one.lifted_by
    if lift.what:
        line += f" Possible after: {lift.what}" + (f", {lift.who}" if lift.who else "")
        if lift.minutes is not None:
            line += f", {figures.minutes(lift.minutes)}"
    return line + (f". Source: {one.source} ({one.how_known})" if one.source else "")


def validity(advice: Advice) -> list[str]:
    """How long the advice holds, and under which policy it was made."""
    lines = []
    if advice.valid_until:
        line = f"Valid until {figures.moment(advice.valid_until)}"
        lines.append(line + (f": {advice.valid_because}" if advice.valid_because else ""))
    lines.append(
        f"Given {figures.moment(advice.now)} under policy {advice.policy[:12]}, method {advice.method_version}"
    )
    return lines


def facts_used(advice: Advice) -> list[str]:
    """The facts that decided something, as they were understood."""
    lines = []
    for used in advice.facts_used:
        line = f"{figures.words(used.fact)}: {used.value} {used.unit}".rstrip()
        aside = [text for text in (used.source, figures.moment(used.seen_at) if used.seen_at else "") if text]
        lines.append(line + (f" ({', '.join(aside)})" if aside else ""))
    return lines


def not_known(advice: Advice) -> list[str]:
    """What is not known and could matter."""
    names = ", ".join(figures.words(name) for name in advice.unknown_that_matter)
    return [f"Not known: {names}"] if names else []


def loosened(advice: Advice) -> list[str]:
    """The rules that the operator loosened and that bear on a plan named here."""
    return [one.said for one in advice.loosened]


def ranges(advice: Advice) -> list[str]:
    """At which ends of ranges the answer would be another one; that at none, where that is so."""
    ends = [one.said for one in advice.ranges]
    return ends or ([advice.ranges_said] if advice.ranges_said else [])


def sources(advice: Advice) -> list[str]:
    """Where the figures that decided something come from."""
    named = [f"{one.figure} = {one.value}: {one.source} ({one.how_known}, since {one.since})" for one in advice.sources]
    return [*named, *([advice.reckoned_said] if advice.reckoned_said else [])]


def currency(advice: Advice) -> str:
    """The policy's currency, where the advice names one."""
    return advice.expected_cost.currency if advice.expected_cost is not None else ""
