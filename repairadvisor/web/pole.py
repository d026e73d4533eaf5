"""The pole: a kept advice walked through on a telephone, one thing at a time; a measured joint in, a verdict out.

What is ticked stands in the address (:mod:`.walk`), so that a link shows the same again and a lost connection loses
nothing. What was measured (:mod:`.measured`), and why something was done otherwise, is kept as a report of work; what
was found otherwise than told is asked again. Nothing is decided here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime

from flask import Blueprint, Response, current_app, render_template, request
from werkzeug.exceptions import UnsupportedMediaType

from repairadvisor.asked_again import ON_SITE, ask_again
from repairadvisor.errors import ConflictError, Fault, InputError, NotFoundError
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.render import figures
from repairadvisor.render.placing import placed
from repairadvisor.render.prose import typed_units
from repairadvisor.schemas.pasted import Spoken, wrong_length
from repairadvisor.schemas.typed import typed_fact
from repairadvisor.service import ADVICE_ID
from repairadvisor.store.database import RecordsError
from repairadvisor.web import measured
from repairadvisor.web.api import advisor
from repairadvisor.web.bodies import HTML, refuse_packed, wanted
from repairadvisor.web.fields import Field, field_of
from repairadvisor.web.pole_joints import close, end, judge, reading_of, verdict, which_joint
from repairadvisor.web.pole_page import Here, all_work, band, go_on, page, say, work_done
from repairadvisor.web.walk import CHECK, START, STEP, Stop, read_walk

pole = Blueprint("pole", __name__)

_FORM = "application/x-www-form-urlencoded"
#: An id of an advice by itself or in a link; a longer run of digits is none.
_AN_ID = re.compile(rf"(?<![0-9a-z])({ADVICE_ID.pattern})(?![0-9a-z])")
_LONGEST_LINK = 2000
#: The longest reason that, with what it is a reason for, is one line of evidence.
LONGEST_REASON = 150
#: What is asked where a step that keeps people whole cannot be done.
_DANGER = "danger_seen"
#: More of something than this that cannot be used is counted, not shown again in a fault.
_SHOWN = 40


@pole.get("/pole")
def walk_on() -> Response:
    """One page of a walk; which advice, where none is named."""
    wanted(request, (HTML,))
    return _answered(request.args, lambda here: _VIEWS.get(here.given.get("at", ""), _at_stop)(here))


@pole.post("/pole/found")
def look_again() -> Response:
    """What was found otherwise than told: a fresh advice, walked on with what is ticked."""
    return _posted(_ask_again)


@pole.post("/pole/otherwise")
def done_otherwise() -> Response:
    """Why something is done otherwise than advised, kept with the work."""
    return _posted(_keep_reason)


@pole.post("/pole/reading")
def measured_joint() -> Response:
    """A measured joint, kept and judged."""
    return _posted(judge)


@pole.post("/pole/closing")
def closing() -> Response:
    """What goes with closing the work."""
    return _posted(close)


# --- who stands where -----------------------------------------------------------------------------------------


def _posted(then: Callable[[Here], Response]) -> Response:
    wanted(request, (HTML,))
    if request.mimetype != _FORM:
        raise UnsupportedMediaType(f"The form is sent as {_FORM}.")
    refuse_packed(request)
    try:
        return _answered(request.form, then)
    except RecordsError:
        current_app.logger.exception(say("pole", "records"))
        return _which(say("pole", "records"), request.form.get("advice", ""), 503)


def _answered(given: Mapping[str, str], then: Callable[[Here], Response]) -> Response:
    typed = given.get("advice", "").strip()
    if not typed:
        return _which()
    advice_id = _id_in(typed)
    if not advice_id:
        return _which(say("pole", "no_id", value=_short(typed)), typed, 422)
    try:
        stored = advisor().given(advice_id)
    except NotFoundError:
        return _which(say("pole", "no_advice", value=advice_id), advice_id, 404)
    try:
        advice = advisor().answer_given(advice_id).advice
    except ConflictError:
        return _which(say("pole", "other_version"), advice_id, 409, as_given=advice_id)
    walk = read_walk(advice_id, advice, given)
    here = Here(stored, advice, walk, given, datetime.now(UTC))
    if advice.action != "repair" and then is not _ask_again:
        return _standing(here)
    return then(here)


def _id_in(typed: str) -> str:
    """The one id of an advice that somebody typed, or that stands in a link; "" where there is none, or several."""
    found = set(_AN_ID.findall(typed.lower())) if len(typed) <= _LONGEST_LINK else set()
    return found.pop() if len(found) == 1 else ""


def _which(fault: str = "", typed: str = "", status: int = 200, as_given: str = "") -> Response:
    shown = render_template("pole_which.html", fault=fault, typed=_short(typed), as_given=as_given)
    return Response(shown, status=status, mimetype=HTML)


# --- one thing at a time --------------------------------------------------------------------------------------


def _at_stop(here: Here) -> Response:
    stop = here.walk.stop(here.given.get("at", "")) if here.may_be_walked else here.walk.stop(START)
    if stop is None:
        return end(here)
    if stop.kind == START:
        return _start(here, stop)
    return page(here, "stop", stop=stop)


def _start(here: Here, stop: Stop) -> Response:
    loss = here.advice.loss
    chances = [loss.chance_said] if loss is not None and loss.chance_said else []
    if loss is not None and loss.attempts_each > 1:
        often = figures.how_often_on_a_fibre(advisor().voice, loss.redos_expected) if loss.redos_expected > 0 else ""
        do = say("pole", "made_again", band("made_again", loss.redos_expected), "do")
        chances += [say("pole", "made_again", "said", often=often, do=do)] if often else []
    return page(here, "start", stop=stop, chances=chances)


def _standing(here: Here) -> Response:
    """An answer under which nobody repairs: that first, and what is done instead."""
    return _asked(here, 200, {}, ())


def _asked(here: Here, status: int, typed: Mapping[str, str], faults: tuple[Fault, ...]) -> Response:
    asked = [one for one in here.advice.questions if one.fact in BY_NAME]
    fields = [_field(one.fact, typed, faults) for one in asked[:1]]
    first, *others = placed(here.advice).first or ("",)
    steps = [(one, placed(here.advice).before[one.number]) for one in here.advice.steps]
    before = {text for _, texts in steps for text in texts}
    texts = [*others, *(one.text for one in here.advice.cautions)]
    rest = [text for text in dict.fromkeys(texts) if text != first and text not in before]
    return page(
        here,
        "standing",
        status,
        faults,
        _labels(fields),
        deciding=first,
        steps=steps,
        rest=rest,
        asked=asked,
        fields=fields,
    )


def _list(here: Here) -> Response:
    return page(here, "list") if here.may_be_walked else _at_stop(here)


def _cautions(here: Here) -> Response:
    """Every caution, whole, those first that hold throughout: one press away from wherever somebody stands."""
    return page(here, "cautions")


# --- a check that failed --------------------------------------------------------------------------------------


def _failed(here: Here) -> Response:
    return _at_stop(here) if not here.may_be_walked else _not_certain(here, 200, {}, ())


def _not_certain(here: Here, status: int, typed: Mapping[str, str], faults: tuple[Fault, ...]) -> Response:
    stop = here.of
    if stop is None or stop.kind != CHECK:
        return _at_stop(here)
    check = next(one for one in here.advice.checks_on_arrival if one.screen == stop.screen)
    ready = [one for one in here.advice.fallbacks if stop.screen in one.after]
    fields = [_field(name, typed, faults) for name in check.facts if name in BY_NAME]
    return page(here, "failed", status, faults, _labels(fields), stop=stop, check=check, ready=ready, fields=fields)


def _ask_again(here: Here) -> Response:
    typed = {name: here.given[name].strip() for name in here.given if name in BY_NAME and here.given[name].strip()}
    again = _asked if here.advice.action != "repair" else _not_certain
    faults = tuple(fault for name, value in typed.items() for fault in wrong_length(name, value))
    if faults:
        return again(here, 422, typed, faults)
    spoken = _spoken()
    typed = {name: spoken.with_unit(BY_NAME[name], value) for name, value in typed.items()}
    # Whoever has done a step is there: what is on the van can no longer be decided by loading it.
    known: dict[str, object] = {"crew_place": ON_SITE} if here.walk.has_begun else {}
    if made := measured.attempts_in_vain(all_work(here)):
        known["attempts_so_far_count"] = made
    told = {**known, **{name: typed_fact(name, _number(name, value)) for name, value in typed.items()}}
    plan = "" if here.advice.plan is None else here.advice.plan.id
    try:
        answer = ask_again(advisor(), here.stored, told, here.clock, plan, here.key)
    except InputError as error:
        return again(here, 422, typed, error.faults) if typed else page(here, "cannot", 422, error.faults)
    return go_on(here.walk.carried_to(str(answer.id), checks_hold=here.holds))


def _number(name: str, value: str) -> str:
    return measured.with_point(value, thousands=True) if BY_NAME[name].is_number else value


def _spoken() -> Spoken:
    return Spoken.of(advisor().wording, typed_units(advisor().voice))


def _field(name: str, typed: Mapping[str, str], faults: tuple[Fault, ...]) -> Field:
    return field_of(name, _spoken(), advisor().voice, typed.get(name, ""), faults)


def _labels(fields: list[Field]) -> dict[str, str]:
    return {one.name: one.said for one in fields}


# --- otherwise than advised -----------------------------------------------------------------------------------


def _otherwise(here: Here) -> Response:
    return _at_stop(here) if not here.may_be_walked else _why_otherwise(here, 200, "", "")


def _stopped(here: Here) -> Response:
    """What keeps people whole cannot be done as it is advised: then it is not done otherwise, and the work stops."""
    stop = here.walk.exactly(here.given.get("of", ""))
    if stop is None or not stop.protects or not here.may_be_walked:
        return _at_stop(here)
    return page(here, "stopped", stop=stop, fields=[_field(_DANGER, {}, ())])


def _why_otherwise(here: Here, status: int, typed: str, fault: str) -> Response:
    stop = here.of
    if stop is None or not stop.may_differ:
        return _at_stop(here)
    return page(here, "otherwise", status, stop=stop, typed=typed, fault=fault, most=LONGEST_REASON)


def _keep_reason(here: Here) -> Response:
    typed = here.given.get("reason", "")
    stop, reason = here.walk.exactly(here.given.get("of", "")), " ".join(typed.split())
    if stop is None or not stop.may_differ:
        return page(here, "no_reason", 422, typed=typed)
    if fault := _wrong_reason(reason):
        return _why_otherwise(here, 422, typed, fault)
    line = (
        say("pole", "otherwise_kept_step", n=stop.number, reason=reason)
        if stop.kind == STEP
        else say("pole", "otherwise_kept_check", n=stop.number, reason=reason)
    )
    try:
        work_done().report({"advice": here.walk.advice_id, "evidence": [line]}, here.clock)
    except InputError as error:
        return _why_otherwise(here, 422, reason, str(error))
    return go_on(here.walk.done_otherwise(stop))


def _wrong_reason(reason: str) -> str:
    if not reason:
        return say("pole", "reason_missing", most=LONGEST_REASON)
    if len(reason) > LONGEST_REASON:
        return say("pole", "reason_long", n=len(reason), most=LONGEST_REASON)
    return "" if reason.isprintable() else say("pole", "reason_print", most=LONGEST_REASON)


def _short(text: str) -> str:
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…"


_VIEWS: Mapping[str, Callable[[Here], Response]] = {
    "list": _list,
    "failed": _failed,
    "otherwise": _otherwise,
    "stopped": _stopped,
    "cautions": _cautions,
    "joint": which_joint,
    "reading": reading_of,
    "verdict": verdict,
    "end": end,
}
