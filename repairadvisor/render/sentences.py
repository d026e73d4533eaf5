"""The parts of an advice as plain lines, for every renderer that writes text.

A line is whole: renderers break it to their width but never shorten it. Each function gives no line where the
advice has nothing to say.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from itertools import groupby

from repairadvisor.decision.advice import Advice, Alternative, Barred, FactUsed, Loss, Question, Step
from repairadvisor.render import figures
from repairadvisor.render.voice import Voice

#: Joints made again on each fibre; what is rarer is not worth a line.
_SELDOM = 0.005


def one_line(text: str) -> str:
    """The text without line breaks, runs of spaces, and signs that a terminal obeys instead of showing them."""
    line = " ".join(text.split())
    if line.isprintable():
        return line
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in line)


def action(advice: Advice, voice: Voice) -> str:
    """What kind of answer it is, as a headline begins with it."""
    return voice.say("action", advice.action).upper()


def headline(advice: Advice, voice: Voice) -> str:
    """What to do, in one line that says it all."""
    first = action(advice, voice)
    if advice.say.upper().startswith(first):
        return one_line(first + advice.say[len(first) :])
    return one_line(voice.say("line", "sentence", action=first, say=advice.say))


def reason(advice: Advice, voice: Voice) -> list[str]:
    """Why, and what comes before this advice."""
    lines = [voice.say("line", "why", because=advice.because)] if advice.because else []
    if advice.defers_to:
        lines.append(advice.defers_to)
    return lines


def plan(advice: Advice, voice: Voice) -> list[str]:
    """The plan in words, and how far it may count as a repair."""
    lines = []
    if advice.plan is not None:
        lines.append(voice.say("line", "plan", plan=advice.plan.phrase))
    if advice.continuity_only:
        lines.append(advice.continuity_only)
    return lines


def light(advice: Advice, voice: Voice) -> list[str]:
    """What the plan costs in light."""
    if advice.loss is None:
        return [advice.loss_withheld] if advice.loss_withheld else []
    lost = advice.loss
    lines = [lost.margin_said] if lost.margin_said else []
    for nm, at in lost.by_wavelength.items():
        said = {name: figures.loss(voice, getattr(at, f"{name}_db")) for name in ("p50", "p95", "p99", "mean")}
        if at.margin_left_db is None:
            lines.append(voice.say("line", "loss_at", nm=nm, **said))
        else:
            left = figures.loss(voice, at.margin_left_db)
            lines.append(voice.say("line", "loss_at_left", nm=nm, left=left, **said))
    lines += _joints(lost, voice)
    if advice.loss_withheld:
        lines.append(advice.loss_withheld)
    return lines


def _joints(lost: Loss, voice: Voice) -> list[str]:
    if lost.attempts_each > 1:
        said = [voice.say("line", "joints_again", joints=lost.joints, attempts=lost.attempts_each)]
    else:
        said = [voice.say("line", "joints_once", joints=lost.joints)]
    if lost.inserted_m > 0:
        length, loss = figures.quantity(voice, lost.inserted_m, "m"), figures.loss(voice, lost.inserted_loss_db)
        said.append(voice.say("line", "inserted", length=length, loss=loss))
    if lost.given_back_db:
        said.append(voice.say("line", "given_back", loss=figures.loss(voice, lost.given_back_db)))
    lines = [voice.say("line", "between").join(said), _kept(lost, voice)]
    lines += [text for text in (lost.given_back_why, lost.chance_said) if text]
    return [*lines, *lost.reflectance_said, *(text for text in (lost.reading_said,) if text)]


def _kept(lost: Loss, voice: Voice) -> str:
    """Up to what a joint is good, and how often one has to be made again."""
    limit = figures.loss(voice, min((lost.good_up_to_db, *lost.keep_up_to_db[:1])))
    several = lost.joints > 1
    if not lost.keep_up_to_db:
        if several:
            return voice.say("line", "keep_once_each", limit=limit)
        return voice.say("line", "keep_once", limit=limit)
    if lost.redos_expected < _SELDOM:
        return voice.say("line", "keep_each", limit=limit) if several else voice.say("line", "keep", limit=limit)
    often = figures.how_often_on_a_fibre(voice, lost.redos_expected)
    if several:
        return voice.say("line", "keep_each_redo", limit=limit, how_often=often)
    return voice.say("line", "keep_redo", limit=limit, how_often=often)


def limits(advice: Advice) -> list[str]:
    """Up to what joints are kept, where that is not the same for every joint and attempt."""
    rows = () if advice.loss is None else advice.loss.limits
    return [row.said for row in rows] if len(rows) > 1 else []


def crew(advice: Advice, voice: Voice) -> list[str]:
    """How many, and authorised for what."""
    if advice.crew.in_words:
        return [voice.say("line", "crew", crew=advice.crew.in_words)]
    if not advice.crew.persons:
        return []
    return [voice.say("line", "crew", crew=figures.quantity(voice, advice.crew.persons, "persons"))]


def times_and_cost(advice: Advice, voice: Voice) -> list[str]:
    """How long, when service is back, and what it is expected to cost."""
    lines = []
    if advice.work_min is not None:
        p50, p95 = (figures.minutes(voice, value) for value in (advice.work_min.p50, advice.work_min.p95))
        lines.append(voice.say("line", "work", p50=p50, p95=p95))
    if advice.restored_after_min is not None:
        back = advice.restored_after_min
        p50, p95 = figures.minutes(voice, back.p50), figures.minutes(voice, back.p95)
        lines.append(voice.say("line", "back", p50=p50, p95=p95))
        for one in back.by_group:
            p50, p95 = figures.minutes(voice, one.p50), figures.minutes(voice, one.p95)
            fibres = figures.quantity(voice, one.fibres, "fibres")
            lines.append("  " + voice.say("line", "back_group", group=one.group, fibres=fibres, p50=p50, p95=p95))
    return [*lines, *_cost(advice, voice)]


def _cost(advice: Advice, voice: Voice) -> list[str]:
    cost = advice.expected_cost
    if cost is None:
        return []
    parts = {
        "labour": cost.labour,
        "outage": cost.outage,
        "materials": cost.materials,
        "machine": cost.machine,
        "redo": cost.redo,
        "second_visit": cost.second_visit,
        "later_visit": cost.later_visit,
        "failed_check": cost.failed_check,
        "waiting": cost.waiting,
    }
    said = [
        voice.say("line", "cost_part", name, cost=figures.money(voice, part, ""))
        for name, part in parts.items()
        if part != 0
    ]
    total = figures.money(voice, cost.total, cost.currency)
    if not said:
        return [voice.say("line", "cost", total=total)]
    lines = [voice.say("line", "cost_of", total=total, parts=voice.say("line", "between_facts").join(said))]
    if cost.held_ready_saves > 0.5:
        saved = figures.money(voice, cost.held_ready_saves, cost.currency)
        lines.append(voice.say("line", "cost_held_ready", cost=saved))
    return lines


def wait(advice: Advice, voice: Voice) -> list[str]:
    """Until when or which event, what to do meanwhile, and what follows."""
    if advice.wait is None:
        return []
    wanted = advice.wait
    if wanted.minutes is None:
        lines = [voice.say("line", "wait", until=wanted.until)]
    else:
        about = figures.minutes(voice, wanted.minutes)
        lines = [voice.say("line", "wait_about", until=wanted.until, minutes=about)]
    lines += [voice.say("line", "meanwhile", what=text) for text in wanted.meanwhile]
    if wanted.then_plan is not None:
        lines.append(voice.say("line", "then", plan=wanted.then_plan.phrase))
    return lines


def caution(text: str, voice: Voice) -> str:
    """A caution, whole."""
    return voice.say("line", "caution", text=text)


def caution_mark(voice: Voice) -> str:
    """What every caution begins with."""
    return caution("", voice).rstrip()


def checks(advice: Advice, beside: Mapping[str, tuple[str, ...]], voice: Voice) -> list[str]:
    """What must be certain first, each with the cautions beside it, and what its failing means.

    Where checks in a row fail alike, that is said once, after the last of them.
    """
    lines: list[str] = []
    for failing, alike in groupby(advice.checks_on_arrival, key=lambda check: check.if_it_fails):
        for check in alike:
            lines += [caution(text, voice) for text in beside[check.screen]]
            lines.append(voice.say("line", "make_certain", check=check.not_before))
        if failing:
            lines.append(failing)
    for held in advice.fallbacks:
        lines.append(held.said)
        lines += [caution(text, voice) for text in held.cautions]
        lines += [voice.say("line", "make_certain_before", check=text) for text in held.not_before]
    return lines


def steps(advice: Advice, before: Mapping[int, tuple[str, ...]], voice: Voice) -> list[str]:
    """The steps, each after the cautions that concern it."""
    lines: list[str] = []
    for one in advice.steps:
        lines += [caution(text, voice) for text in before[one.number]]
        lines.append(step(one, voice))
    return lines


def step(one: Step, voice: Voice) -> str:
    """A step and the limit that decides it is done."""
    if one.limit:
        return voice.say("line", "step_limit", n=one.number, text=one.text, limit=one.limit)
    return voice.say("line", "step", n=one.number, text=one.text)


def questions(advice: Advice, voice: Voice) -> list[str]:
    """What to find out; that there is nothing, where that is so."""
    asked = [question(one, voice) for one in advice.questions]
    return asked or ([advice.questions_said] if advice.questions_said else [])


def question(one: Question, voice: Voice) -> str:
    """One thing to find out."""
    whom = voice.whom(one.of_whom)
    leading = [answer for answer in one.answers if answer.leads_to]
    if leading:
        leads = [voice.say("line", "leads_to", answer=said.answer, leads_to=said.leads_to) for said in leading]
        line = voice.say("line", "ask_leads", whom=whom, ask=one.ask, leads=voice.say("line", "between").join(leads))
    elif one.answers:
        words = voice.say("line", "between_words").join(answer.answer for answer in one.answers)
        line = voice.say("line", "ask_words", whom=whom, ask=one.ask, words=words)
    else:
        line = voice.say("line", "ask", whom=whom, ask=one.ask)
    return voice.say("line", "because", asked=line, because=one.because) if one.because else line


def kit(advice: Advice, voice: Voice) -> list[str]:
    """What to carry."""
    lines = []
    for one in advice.kit:
        quantity = figures.quantity(voice, one.quantity, one.unit)
        if one.line_for:
            lines.append(voice.say("line", "kit_for", quantity=quantity, item=one.item, what_for=one.line_for))
        else:
            lines.append(voice.say("line", "kit", quantity=quantity, item=one.item))
    return lines


def alternative(one: Alternative, currency: str, voice: Voice) -> str:
    """Another permitted plan and what it costs more, or less."""
    difference = figures.money(voice, abs(one.costs_more), currency)
    if difference == figures.money(voice, 0, currency):
        line = voice.say("line", "costs_same", plan=one.plan.phrase)
    elif one.costs_more > 0:
        line = voice.say("line", "costs_more", plan=one.plan.phrase, cost=difference)
    else:
        line = voice.say("line", "costs_less", plan=one.plan.phrase, cost=difference)
    if one.p50_db is not None:
        line = voice.say("line", "with_loss", plan=line, loss=figures.loss(voice, one.p50_db))
    return voice.say("line", "why_not", plan=line, why_not=one.why_not) if one.why_not else line


def barred(one: Barred, voice: Voice) -> str:
    """Plans that may not be done, why, and what would lift the bar."""
    line = voice.say("line", "barred", plans=one.plans, because=one.because)
    if one.facts:
        facts = voice.say("line", "between_facts").join(voice.fact(name) for name in one.facts)
        line = voice.say("line", "barred_facts", barred=line, facts=facts)
    line = _possible_after(one, line, voice)
    if one.source:
        line = voice.say("line", "barred_source", barred=line, source=one.source, known=voice.known(one.how_known))
    return line


def _possible_after(one: Barred, line: str, voice: Voice) -> str:
    lift = one.lifted_by
    if not lift.what:
        return line
    minutes = "" if lift.minutes is None else figures.minutes(voice, lift.minutes)
    said = {"barred": line, "what": lift.what}
    if lift.who and minutes:
        return voice.say("line", "possible_after_who_time", who=lift.who, minutes=minutes, **said)
    if lift.who:
        return voice.say("line", "possible_after_who", who=lift.who, **said)
    if minutes:
        return voice.say("line", "possible_after_time", minutes=minutes, **said)
    return voice.say("line", "possible_after", **said)


def validity(advice: Advice, voice: Voice) -> list[str]:
    """How long the advice holds, and under which policy it was made."""
    lines = []
    if advice.valid_until:
        until = figures.moment(voice, advice.valid_until)
        if advice.valid_because:
            lines.append(voice.say("line", "valid_until_because", until=until, because=advice.valid_because))
        else:
            lines.append(voice.say("line", "valid_until", until=until))
    lines += on_arrival(advice, voice)
    now, method = figures.moment(voice, advice.now), advice.method_version
    return [*lines, voice.say("line", "given", moment=now, policy=advice.policy[:12], method=method)]


def on_arrival(advice: Advice, voice: Voice) -> list[str]:
    """That it has to be asked for again at the place, where it runs out before service can be back.

    Without the moment it was given for (what a note comes to, whenever it was said) there is nothing to compare.
    """
    if not advice.now or not advice.valid_until or advice.restored_after_min is None:
        return []
    back_min = advice.restored_after_min.p50
    holds = datetime.fromisoformat(advice.valid_until) - datetime.fromisoformat(advice.now)
    if holds >= timedelta(minutes=back_min):
        return []
    until, minutes = figures.moment(voice, advice.valid_until), figures.minutes(voice, back_min)
    if advice.valid_because:
        because = advice.valid_because
        return [voice.say("line", "ask_on_arrival_because", until=until, because=because, minutes=minutes)]
    return [voice.say("line", "ask_on_arrival", until=until, minutes=minutes)]


def facts_used(advice: Advice, voice: Voice) -> list[str]:
    """The facts that decided something, as they were understood."""
    return [_fact(used, voice) for used in advice.facts_used]


def _fact(used: FactUsed, voice: Voice) -> str:
    said = {"fact": voice.fact(used.fact), "value": f"{used.value} {voice.words.unit(used.unit)}".rstrip()}
    seen = figures.moment(voice, used.seen_at) if used.seen_at else ""
    if used.source and seen:
        return voice.say("line", "fact_from_seen", source=used.source, seen=seen, **said)
    if used.source or seen:
        return voice.say("line", "fact_from", source=used.source or seen, **said)
    return voice.say("line", "fact", **said)


def not_known(advice: Advice, voice: Voice) -> list[str]:
    """What is not known and could matter."""
    names = voice.say("line", "between_facts").join(voice.fact(name) for name in advice.unknown_that_matter)
    return [voice.say("line", "not_known", facts=names)] if names else []


def loosened(advice: Advice) -> list[str]:
    """The rules that the operator loosened and that bear on a plan named here."""
    return [one.said for one in advice.loosened]


def ranges(advice: Advice) -> list[str]:
    """At which ends of ranges the answer would be another one; that at none, where that is so."""
    ends = [one.said for one in advice.ranges]
    return ends or ([advice.ranges_said] if advice.ranges_said else [])


def sources(advice: Advice, voice: Voice) -> list[str]:
    """Where the figures that decided something come from."""
    named = [
        voice.say(
            "line",
            "source",
            figure=one.figure,
            value=one.value,
            source=one.source,
            known=voice.known(one.how_known),
            since=one.since,
        )
        for one in advice.sources
    ]
    return [*named, *([advice.reckoned_said] if advice.reckoned_said else [])]


def currency(advice: Advice) -> str:
    """The policy's currency, where the advice names one."""
    return advice.expected_cost.currency if advice.expected_cost is not None else ""
