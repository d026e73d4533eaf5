"""What is said: the one sentence, why, what to wait for, whom to ring, what to ask."""

from __future__ import annotations

import math
from itertools import groupby

from repairadvisor.decision.advice import PlanWords, PossibleAnswer, Question, TurningPoint, Wait
from repairadvisor.decision.answer import Told
from repairadvisor.decision.leads import HANGS_ON_OTHERS, Option
from repairadvisor.decision.outlook import STANDING_OFF
from repairadvisor.decision.plans import ranked, standing
from repairadvisor.decision.questions import Asked
from repairadvisor.decision.screens import BARRED, OPEN
from repairadvisor.decision.start import travel_min
from repairadvisor.decision.turning import Outcome, Turn
from repairadvisor.facts.value import Known, OneOf
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import facts_of

#: How many checks the first sentence names before it counts the rest.
MOST_NAMED = 3


def say(told: Told) -> str:
    """What to do, in one sentence a person can say aloud."""
    answer, words = told.answer, told.words
    if answer.action == "repair" and told.plan is not None:
        work = words.work(told.plan, words.counted("fibre", told.fibres))
        if answer.continuity_only:
            return words.say("say", "continuity_only", **work)
        if told.checks:
            return words.say("say", "repair_after_checks", check=_first_checks(told), why=_why(told), **work)
        return words.say("say", "repair", why=_why(told), **work)
    if answer.action == "ask_first":
        asked = questions(told)
        there = told.context.state("crew_place") == Known("on_site")
        key = ("ask_first_there" if there else "ask_first") + ("" if len(asked) == 1 else "_more")
        return words.say("say", key, n=len(asked), question=asked[0].ask)
    if answer.action == "make_safe_and_wait":
        key = "make_safe_and_wait" if answer.later is not None else "make_safe_and_wait_event"
        if told.plan is not None:
            return words.say("say", key, until=_until(told), plan=words.plan(told.plan).phrase)
        return words.say("say", f"{key}_no_plan", until=_until(told))
    because = _decisive_because(told)
    return words.say("say", answer.action, call=words.listed(list(call(told))), because=because)


def _first_checks(told: Told) -> str:
    """What the first checks are about, those that keep people whole before the others, and how many checks there are
    besides: as many as are listed."""
    checks = sorted(told.checks, key=lambda check: check.kind not in ("danger", "safety"))
    facts = dict.fromkeys(name for check in checks[:MOST_NAMED] for name in check.facts)
    names = [told.words.fact(name) for name in facts]
    more = len(checks) - MOST_NAMED
    if more > 0:
        names.append(told.words.say("check", "more_one") if more == 1 else told.words.say("check", "more", n=more))
    return told.words.listed(names)


def _why(told: Told) -> str:
    """Why this plan: what speaks for its method, and what decides against the next."""
    words = told.words
    if told.plan is None:
        return ""
    if told.plan.stage != "permanent":
        return words.say("why", "restores_soonest")
    return words.say("why", "joined", merit=words.say("merit", told.plan.method), price=_against_the_next(told))


def _against_the_next(told: Told) -> str:
    """What decides against the next plan: price, or what decides between equals."""
    order, words = told.answer.order, told.words
    if len(order) < 2:
        return words.say("why", "only_one")
    best, others = order[0], order[1:]
    dearer = min(
        (one for one in others if one.plan.method != best.plan.method), key=lambda one: one.cost, default=others[0]
    )
    saved = dearer.cost - best.cost
    if saved > 0.5:
        return words.say("why", "cheapest_by", saved=f"{saved:.0f}", currency=told.currency)
    mine, theirs = standing(told.situation, best.plan), standing(told.situation, dearer.plan)
    keys = ("hazard_control", "fewer_visits", "fewer_joints", "fewer_people", "no_machine", "by_name")
    differs = next((key for key, a, b in zip(keys, mine, theirs, strict=True) if a != b), "by_name")
    return words.say("why", differs)


def because(told: Told) -> str:
    """Why that is the answer."""
    answer, words = told.answer, told.words
    if answer.chosen is not None:
        if answer.continuity_only:
            return words.say("continuity", "no_plan")
        if len(answer.order) == 1:
            return words.say("because", "repair_only")
        if answer.issued_plan == answer.chosen.plan.id and ranked(answer.situation, answer.order)[0] != answer.chosen:
            return words.say("because", "repair_kept")
        total = f"{answer.chosen.cost:.0f}"
        cheaper = min(one.cost for one in answer.order) < answer.chosen.cost - 0.5
        key = "repair_level" if cheaper else "repair"
        return words.say("because", key, permitted=len(answer.order), total=total, currency=told.currency)
    if answer.action == "ask_first":
        if not answer.order:
            return words.say("because", "ask_first_no_plan")
        saved = max(one.saves or 0.0 for one in answer.questions)
        now = words.plan(answer.order[0].plan).phrase
        key = "ask_first_people" if answer.questions[0].saves is None else "ask_first_saves"
        return words.say("because", key, saved=f"{saved:.0f}", currency=told.currency, plan=now)
    if answer.action == "make_safe_and_wait":
        key = "make_safe_and_wait" if answer.order else "make_safe_and_wait_no_plan"
        if answer.later is None:
            key = "make_safe_and_wait_event"
        return words.say("because", key, until=_until(told))
    return words.say("action_meaning", answer.action)


def _decisive_because(told: Told) -> str:
    return " ".join(dict.fromkeys(screen_because(told, i) for i in told.answer.decisive[:3]))


def screen_because(told: Told, i: int) -> str:
    """Why a screen bars, in words."""
    screen = told.rules.screens[i]
    if screen.because:
        return screen.because
    floor = told.policy.light.floors[screen.plans["stage"][0]].value
    return told.words.say("barred", "below_floor", floor=f"{floor * 100:.0f}")


def continuity(told: Told) -> str:
    """What has to be said of a plan that misses the budget; nothing otherwise."""
    if not told.answer.continuity_only or told.loss is None:
        return ""
    agreed = told.context.state("owner_accepts_below_reserve")
    if isinstance(agreed, Known) and agreed.value == "yes":
        return told.words.say("continuity", "only_owner_agreed")
    low, high = told.loss.chance_to_close_at_least or 0.0, told.loss.chance_to_close_at_most or 0.0
    low_said, high_said = int(low * 100.0), int(high * 100.0)
    key = "of_100" if high_said <= low_said + 1 else "of_100_between"
    closes = told.words.say("continuity", key, low=low_said, high=high_said)
    floor = told.policy.light.floors[told.answer.order[0].plan.stage].value
    return told.words.say("continuity", "only", n=closes, floor=f"{floor * 100:.0f}")


def _until(told: Told) -> str:
    if told.answer.later is not None:
        return told.answer.later.slot.until
    lifts = dict.fromkeys(told.rules.screens[i].lifted_by.what for i in told.answer.decisive)
    # One of them may be a choice by itself: "this, or that" beside another thing with "and" would read as a way out.
    return told.words.say("wait", "and_besides").join(lifts)


def wait(told: Told) -> Wait | None:
    """Until when or which event, what to do meanwhile, and what follows."""
    if told.answer.action != "make_safe_and_wait":
        return None
    later = told.answer.later
    if later is None:
        then = None if told.answer.hoped is None else told.words.plan(told.answer.hoped.plan)
        return Wait(_until(told), None, (), then)
    return Wait(
        _until(told),
        round(later.minutes + travel_min(told.context), 1),
        later.slot.meanwhile,
        told.words.plan(later.best.plan),
    )


def call(told: Told) -> tuple[str, ...]:
    """Whom to ring."""
    named = [call for i in told.answer.decisive for call in told.rules.screens[i].call]
    if not named and told.answer.action in ("stand_off", "make_safe_and_wait", "out_of_scope"):
        named = [told.words.say("contact", "control_room")]
    if not told.answer.decisive:
        named += _call_now(told)
    return tuple(dict.fromkeys(named))


def _call_now(told: Told) -> list[str]:
    """Whom to ring before anybody is there, where a danger was seen: all that speaks of it and is not surely past."""
    seen = told.context.state("danger_seen")
    words = (seen.value,) if isinstance(seen, Known) else seen.words if isinstance(seen, OneOf) else ("none",)
    if "none" in words:
        return []
    found: list[str] = []
    for status in (BARRED, OPEN):
        for i in told.answer.situation.screens(status):
            screen = told.rules.screens[i]
            if screen.kind in ("danger", "safety") and "danger_seen" in facts_of(screen.bars_when):
                found += screen.call
    return found


def questions(told: Told) -> tuple[Question, ...]:
    """What to find out, each worded for a person on a phone."""
    return tuple(question_of(told, one) for one in told.answer.questions)


def question_of(told: Told, one: Asked) -> Question:
    """One question as it is put."""
    policy = told.policy.facts[one.fact]
    if one.saves is None:
        because = told.words.say("question", "because", what=told.words.say("question", "because_permission"))
    else:
        because = _saves(told, one)
    return Question(
        fact=one.fact,
        ask=policy.question,
        of_whom=policy.of_whom,
        answers=tuple(_answer(told, one.fact, option) for option in one.options) or _any_answer(told, one.fact),
        because=because,
        saves=None if one.saves is None else round(one.saves, 2),
        together_with=tuple(name for name in one.together if name != one.fact),
    )


def _saves(told: Told, one: Asked) -> str:
    """What knowing a fact saves, alone or with the others that are asked beside it."""
    others = told.words.listed([told.words.fact(name) for name in one.together if name != one.fact])
    key = "because_together" if others else "because_saves"
    if one.in_turn:
        key = "because_in_turn" if one.fact == one.together[0] else "because_after"
        others = others if one.fact == one.together[0] else told.words.fact(one.together[0])
    return told.words.say("question", key, saved=f"{one.saves:.0f}", currency=told.currency, others=others)


def _any_answer(told: Told, name: str) -> tuple[PossibleAnswer, ...]:
    """What can be answered, where it is not worked out what each answer leads to."""
    words = told.context.possible[name].words
    number = "number_counted" if BY_NAME[name].whole else "number"
    said = [told.words.say("word", name, word) for word in words] or [
        told.words.say("answer", number, unit=told.words.unit(BY_NAME[name].unit))
    ]
    return tuple(PossibleAnswer(one, None, "") for one in said)


def _answer(told: Told, name: str, option: Option) -> PossibleAnswer:
    if option.leads_to == STANDING_OFF:
        leads_to = told.words.say("answer", "another_day")
    elif option.leads_to == HANGS_ON_OTHERS:
        leads_to = told.words.say("answer", "hangs_on_others")
    else:
        leads_to = told.words.plan(told.policy.plans[option.leads_to]).phrase
    return PossibleAnswer(_answer_said(told, name, option), round(option.chance, 3), leads_to)


def _answer_said(told: Told, name: str, option: Option) -> str:
    worlds = told.situation.worlds
    assert worlds is not None
    cells, axis = worlds.cells(name), worlds.axis(name)
    mine = [cells[i] for i in option.cells]
    meant = [cell for cell in mine if cell != axis.meant]
    lacks = [told.words.say("answer", "lacks")] if len(meant) < len(mine) else []
    if axis.words:
        if len(mine) > MOST_NAMED and 2 * len(mine) >= len(cells):
            return told.words.say("answer", "else")
        said = [told.words.say("word", name, axis.words[cell]) for cell in meant]
        return told.words.listed([*said, *lacks], told.words.say("fact", "or"))
    if not meant:
        return lacks[0]
    low, high = worlds.stretch(name, meant[0])[0], worlds.stretch(name, meant[-1])[1]
    unit = told.words.unit(BY_NAME[name].unit)
    fields = {"low": _first_from(low, name), "high": _first_from(high, name), "unit": unit}
    first, last = meant[0] == cells[0], meant[-1] == max(cell for cell in cells if cell != axis.meant)
    key = "any" if first and last else "up_to" if first else "at_least" if last else "between"
    if low == high:
        key = "exactly"
    elif key == "up_to" and not axis.whole:
        key = "below"
    if axis.whole and key != "any":
        key += "_counted"  # a number of fibres or persons: the question says of what
    return told.words.listed([told.words.say("answer", key, **fields), *lacks], told.words.say("fact", "or"))


def _first_from(value: float, name: str) -> str:
    """The first value from here on that a person would say, at the fact's resolution."""
    step = BY_NAME[name].resolution
    return f"{math.ceil(value / step - 1e-9) * step:.10g}"


def questions_said(told: Told) -> str:
    """That nothing has to be asked, where that is so; nothing where something is asked or nothing is done."""
    if told.answer.questions or told.answer.action != "repair":
        return ""
    return told.words.say("question", "nothing")


def turning_points(told: Told) -> tuple[TurningPoint, ...]:
    """What would turn the answer. Words of one fact that lead to the same answer are said together."""
    found: list[TurningPoint] = []
    for fact, group in groupby(told.answer.turns or (), key=lambda turn: turn.fact):
        turns = list(group)
        if not BY_NAME[fact].words:
            found += [_of_number(told, turn) for turn in turns]
            continue
        for then in dict.fromkeys(turn.then for turn in turns):
            words = [told.words.say("word", fact, str(turn.value)) for turn in turns if turn.then == then]
            said = told.words.listed(words, told.words.say("fact", "or"))
            line = told.words.say("turn", "word", name=told.words.fact(fact), word=said, then=said_then(told, then))
            found.append(TurningPoint(fact, "is", said, "", then.action, then_plan(told, then), line))
    return tuple(found)


def turning_said(told: Told) -> str:
    """Where no turning point is named, why."""
    if told.answer.turns is None:
        return told.words.say("turn", "not_asked")
    return "" if told.answer.turns else told.words.say("turn", "none")


def _of_number(told: Told, turn: Turn) -> TurningPoint:
    name, value, unit = told.words.fact(turn.fact), f"{turn.value:g}", BY_NAME[turn.fact].unit
    key = "number_below" if turn.side == "below" else "number_at_least"
    said = told.words.say(
        "turn", key, name=name, value=value, unit=told.words.unit(unit), then=said_then(told, turn.then)
    )
    return TurningPoint(turn.fact, turn.side, value, unit, turn.then.action, then_plan(told, turn.then), said)


def then_plan(told: Told, then: Outcome) -> PlanWords | None:
    """The plan of an outcome."""
    return None if then.plan < 0 else told.words.plan(told.policy.plans[then.plan])


def said_then(told: Told, then: Outcome) -> str:
    """An outcome in words."""
    plan = then_plan(told, then)
    if then.action == "repair" and plan is not None:
        return told.words.say("turn", "then_plan", plan=plan.phrase)
    until = next((slot.until for slot in told.policy.slots if slot.id == then.waits_for), "")
    if until:
        return told.words.say("turn", "then_wait", until=until)
    return told.words.say("turn", "then_action", action=told.words.say("action", then.action).lower())
