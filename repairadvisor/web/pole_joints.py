"""The joints of a repair at the pole: which was measured, what was read, the verdict on it, and the end of the work."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from flask import Response

from repairadvisor.errors import ConflictError, Fault, InputError, NotFoundError
from repairadvisor.outcome.reported import Repair
from repairadvisor.outcome.verdict import ACCEPT, Another, Verdict
from repairadvisor.render import figures
from repairadvisor.render.outcome import stretches
from repairadvisor.schemas.outcome_answer import AttemptTold, WorkSoFar, read_answer
from repairadvisor.web import measured
from repairadvisor.web.api import advisor
from repairadvisor.web.pole_page import Here, all_work, band, go_on, page, say, work_done

# --- a joint that was measured --------------------------------------------------------------------------------


def which_joint(here: Here) -> Response:
    """Which joint of which fibre was measured."""
    return _which_joint(here, 200, ())


def _which_joint(here: Here, status: int, faults: tuple[Fault, ...]) -> Response:
    try:
        repair = work_done().work(here.walk.advice_id, "", here.clock).repair
    except InputError as error:
        return page(here, "cannot", 409, error.faults)
    fibre = here.given.get("fibre", "").strip()
    return page(here, "joint", status, faults, _labels(), fibre=fibre, joints=_most_joints(repair))


def _most_joints(repair: Repair) -> int | None:
    """How many joints a fibre may have here: as many as the plan makes."""
    return repair.joints or repair.joints_planned or None


def reading_of(here: Here) -> Response:
    """What was read of it, with its limits and what is kept of it."""
    return _ask_reading(here, 200, (), "")


def _ask_reading(here: Here, status: int, faults: tuple[Fault, ...], conflict: str) -> Response:
    try:
        repair = work_done().work(here.walk.advice_id, "", here.clock).repair
    except InputError as error:
        return page(here, "cannot", 409, error.faults)
    wrong = measured.fault_of_joint(
        here.given.get("fibre", "").strip(), here.given.get("joint", "").strip(), _most_joints(repair)
    )
    if wrong:
        return _which_joint(here, 422, tuple(wrong))
    typed = measured.read_typed(here.given, measured.wavelengths(here.advice, repair.fibre_modes))
    joint, missing = int(typed["joint"]), here.given.get("missing", "")
    kept = measured.attempts_at(all_work(here), typed["fibre"], joint)
    plan = "" if here.advice.plan is None else here.advice.plan.method
    attempt = typed["attempt"] or str(measured.next_attempt(kept))
    method = typed["method"] or (plan if plan in repair.methods else repair.methods[0])
    made_at = typed["made_at"] or here.clock.replace(microsecond=0).isoformat()
    number = int(attempt) if attempt.isascii() and attempt.isdigit() and len(attempt) < 3 else 0
    return page(
        here,
        "reading",
        status,
        _with_words(faults),
        _labels(typed.nms),
        typed=typed.with_(attempt=attempt, method=method, made_at=made_at),
        limits=_limits(here, joint, number),
        kept=[_attempt_line(one) for one in kept],
        methods=repair.methods,
        method_said=_method_said,
        choices=measured.CHOICES,
        more=measured.MORE,
        conflict=conflict,
        is_open=bool(faults)
        or missing in measured.MORE
        or any(typed[name] for name in ("bound", "body_reopens", *measured.MORE)),
        missing=missing,
    )


def _limits(here: Here, joint: int, attempt: int) -> list[str]:
    """Up to what this joint is kept at this attempt, and how many there are."""
    loss = here.advice.loss
    if loss is None:
        return [say("pole", "limit_none")]
    said = (
        [say("pole", "reading_of", attempt=attempt, most=loss.attempts_each)]
        if loss.attempts_each > 1 and attempt
        else []
    )
    rows = measured.limits_at(here.advice, joint, attempt)
    return [
        *said,
        *(
            [row.said for row in rows]
            or [say("pole", "limit_usual", limit=figures.loss(advisor().voice, loss.good_up_to_db))]
        ),
    ]


def judge(here: Here) -> Response:
    """What was read, kept once and judged; where it cannot be, the same page again with all that was typed."""
    try:
        repair = work_done().work(here.walk.advice_id, "", here.clock).repair
        typed = measured.read_typed(here.given, measured.wavelengths(here.advice, repair.fibre_modes))
        report = measured.report_of(typed, here.walk.advice_id)
        kept = work_done().report(report, here.clock, f"pole-{here.key}" if here.key else "")
    except InputError as error:
        return _ask_reading(here, 422, measured.led_back(error.faults), "")
    except ConflictError:
        return _ask_reading(here, 409, (), say("pole", "conflict"))
    return go_on(here.walk.link("verdict", report=kept.id, **dict(typed.given())))


def verdict(here: Here) -> Response:
    """The verdict on what was reported, and the next thing to do."""
    try:
        answer = read_answer(work_done().kept(here.given.get("report", ""), here.clock).answer)
    except (NotFoundError, ValueError):
        return page(here, "no_verdict", 404)
    if answer.advice != here.walk.advice_id:
        return page(here, "no_verdict", 404)
    told = {name: value for name, value in here.given.items() if _is_of_reading(name)}
    again = ["" if one.another is None else _another(one.another) for one in answer.verdicts]
    return page(
        here,
        "verdict",
        answer=answer,
        told=told,
        again=again,
        named=[_named(one) for one in answer.verdicts],
        missing=[_missing(one, here) for one in answer.verdicts],
        fibres_said=stretches,
    )


def _named(one: Verdict) -> str:
    """The fibres of a verdict as they can be told again at once: a stretch, or the first where they are several."""
    said = stretches(one.fibres)
    return said if "," not in said else one.fibres[0]


def _missing(one: Verdict, here: Here) -> str:
    """The field of the form in which stands what a verdict waits for."""
    if one.do_first not in (*measured.LOSS_FIRST, *measured.FIELD_OF):
        return ""
    if one.do_first in measured.FIELD_OF:
        return measured.FIELD_OF[one.do_first]
    repair = work_done().work(here.walk.advice_id, "", here.clock).repair
    return f"loss_{measured.wavelengths(here.advice, repair.fibre_modes)[0]}"


def _another(one: Another) -> str:
    """The chance that one more attempt is good, with what to do about it."""
    do = say("pole", "another", band("another", one.chance_it_helps), "do")
    return say("pole", "another", "said", said=one.said, do=do)


def _is_of_reading(name: str) -> bool:
    return name in (*measured.NAMING, *measured.CHOICES, *measured.MORE) or name.startswith("loss_")


# --- the end --------------------------------------------------------------------------------------------------


def end(here: Here) -> Response:
    """What was done, what is owed, and where it is kept."""
    return _at_end(here, 200, ())


def _at_end(here: Here, status: int, faults: tuple[Fault, ...]) -> Response:
    works = all_work(here)
    left = [stop for stop in here.walk.stops if not here.walk.is_done(stop)]
    unmeasured, planned = _unmeasured(here, works)
    is_read = any(one.loss_db or one.one_way_db for work in works for one in work.attempts)
    return page(
        here,
        "end",
        status,
        faults,
        _labels(),
        attempts=[(stretches(one.fibres), one.joint, _attempt_line(one)) for work in works for one in work.attempts],
        left=left,
        owed=[*unmeasured, *_owed(works)],
        is_unproven=planned > 0 and not is_read,
        is_temporary=_is_temporary(works),
        evidence=dict.fromkeys(line for work in works for line in work.evidence),
        ids=[work.advice for work in works],
    )


def _unmeasured(here: Here, works: list[WorkSoFar]) -> tuple[list[str], int]:
    """The joints that the plan makes and nobody has reported, and how many it makes on each fibre."""
    try:
        repair = work_done().work(here.walk.advice_id, "", here.clock).repair
    except InputError:
        return [], 0
    each, told = repair.joints_planned, measured.joints_told(works)
    counted = advisor().voice.words.counted
    lines = []
    for joints, fibres in measured.joints_left(told, each):
        numbers = ", ".join(str(joint) for joint in joints)
        lines.append(say("pole", "end_left", fibres=stretches(fibres), joints=numbers))
    unnamed = None if repair.fibres is None else repair.fibres - len(told)
    if each and unnamed is None:
        lines.append(say("pole", "end_left_unknown", each=counted("joint", each)))
    elif each and unnamed is not None and unnamed > 0:
        every = {"joints": counted("joint", unnamed * each), "fibres": counted("fibre", unnamed)}
        lines.append(say("pole", "end_left_unnamed", each=counted("joint", each), **every))
    return lines, each


def _owed(works: list[WorkSoFar]) -> list[str]:
    """What still has to be done or shown, joint by joint; then the permanent repair, where this one is not."""
    said = []
    for at, work in enumerate(works):
        later = {(fibre, one.joint) for more in works[at + 1 :] for one in more.attempts for fibre in one.fibres}
        for one in work.verdicts:
            fibres = [fibre for fibre in one.fibres if (fibre, one.joint) not in later]
            line = _owed_by(one)
            if fibres and line:
                said.append(say("pole", "end_attempt", fibres=stretches(fibres), joint=one.joint, said=line))
    if _is_temporary(works):
        day = next((work.due_on for work in reversed(works) if work.due_on), "")
        due = say("pole", "end_due", day=day) if day else say("pole", "end_not_due")
        said.append(say("pole", "end_temporary", due=due))
    return said


def _owed_by(one: Verdict) -> str:
    """What a verdict still asks for; nothing where the joint stays as it is."""
    if one.verdict != ACCEPT:
        return one.say
    if not one.owed:
        return ""
    owed = "; ".join(each.said for each in one.owed)
    return say("pole", "verdict_owed_by", owed=owed, moment=figures.moment(advisor().voice, one.owed_by))


def _is_temporary(works: list[WorkSoFar]) -> bool:
    """Whether a permanent repair is owed: by what is walked now, or by joints that were made before."""
    *before, now = works
    return now.is_temporary or any(work.is_temporary and work.attempts for work in before)


def close(here: Here) -> Response:
    """What goes with closing the work, kept."""
    told = {name: here.given.get(name, "").strip() for name in ("evidence", "due_on", "responsible")}
    temporary = {name: told[name] for name in ("due_on", "responsible") if told[name]}
    if not any(told.values()):
        return _at_end(here, 422, (Fault("missing", "evidence", "", say("pole", "closing_nothing")),))
    report: dict[str, object] = {"advice": here.walk.advice_id, "temporary": temporary}
    if told["evidence"]:
        report["evidence"] = [told["evidence"]]
    try:
        work_done().report(report, here.clock)
    except InputError as error:
        faults = (replace(one, field=one.field.removeprefix("temporary.")) for one in error.faults)
        return _at_end(here, 422, tuple(faults))
    return go_on(here.walk.link("end"))


def _attempt_line(one: AttemptTold) -> str:
    read = [
        say("pole", "kept_reading", loss=figures.loss(advisor().voice, loss), nm=nm) for nm, loss in one.loss_db.items()
    ]
    read += [
        say("pole", "kept_one_way", loss=figures.loss(advisor().voice, loss), nm=nm)
        for nm, loss in one.one_way_db.items()
    ]
    said = "; ".join(read) or say("pole", "kept_no_reading")
    word = say("pole", "word", one.verdict or "none")
    return say("pole", "kept_attempt", attempt=one.attempt, loss=said, verdict=word)


def _method_said(method: str) -> str:
    """What a method is called by the policy, and ours where it has no word for it."""
    words: Any = advisor().wording.get("plan_word", {})
    return str(words.get("method", {}).get(method) or figures.words(method))


def _labels(nms: tuple[int, ...] = ()) -> dict[str, str]:
    """What the fields of these pages are called."""
    found = {f"loss_{nm}": say("pole", "loss", nm=nm) for nm in nms}
    found |= {name: say("pole", "choice", name, "name") for name in measured.CHOICES}
    found |= {name: say("pole", "field", name) for name in measured.MORE}
    plain = ("fibre", "joint", "attempt", "method", "made_at", "evidence", "due_on", "responsible")
    return found | {name: say("pole", "label", name) for name in plain}


def _with_words(faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
    """Faults in the order of the page, those of a choice with its words as they stand there."""
    order = {
        name: at for at, name in enumerate(("fibre", "joint", *measured.CHOICES, *measured.MORE, *measured.NAMING))
    }
    return tuple(
        replace(fault, allowed=", ".join(say("pole", "choice", fault.field, word) for word in words))
        if (words := measured.CHOICES.get(fault.field, ()))
        else fault
        for fault in sorted(faults, key=lambda fault: order.get(fault.field, -1))
    )
