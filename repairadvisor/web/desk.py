"""The desk: what is known goes in, in any order; the next question and the advice stand there one round trip later.

A page is made from its link alone (:mod:`.told`) and works without a script. To look costs nothing and leaves nothing:
only ``POST /`` keeps an advice.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping
from datetime import UTC, datetime

import orjson
from flask import Blueprint, Response, current_app, render_template, request
from markupsafe import Markup
from werkzeug.exceptions import UnsupportedMediaType

from repairadvisor.decision.advice import Advice
from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.parse import read_moment
from repairadvisor.facts.vocabulary import BY_NAME, FIRST_ASKED, TIME_NAMES
from repairadvisor.render import changes, cost_picture, loss_picture, sentences, turning_picture
from repairadvisor.render.headings import headings
from repairadvisor.render.parts import HELD, parts
from repairadvisor.render.prose import prose, typed_units
from repairadvisor.render.voice import Voice
from repairadvisor.schemas.pasted import Spoken, as_line
from repairadvisor.service import Advisor
from repairadvisor.web.api import advisor
from repairadvisor.web.bodies import HTML, refuse_packed, wanted
from repairadvisor.web.fields import Field, fault_line, field_of, groups, said_fault
from repairadvisor.web.told import Told, held, read_told

desk = Blueprint("desk", __name__)

_FORM = "application/x-www-form-urlencoded"
#: Under this name the application keeps what was advised a moment ago.
ANSWERS = "repairadvisor.answers"
#: More faults than these are counted, not listed: a page has to stay one.
_MOST_FAULTS = 20
#: So many of the facts that matter have a field on the desk; the form of all facts has the others.
_MOST_MATTERS = 4
#: More unknown facts than these are folded, or nobody would see what comes below them.
_MOST_UNKNOWN = 12
#: What is long and seldom needed while somebody is on the phone is folded.
FOLDED = ("barred", "not_yet_computed", "sources")
#: What whoever sends somebody needs, in that order; the steps of the work come behind it. A part that is not named here
#: comes last.
ORDER = (
    *(
        "cautions",
        "call",
        "wait",
        "checks_on_arrival",
        "checks_later",
        "loosened",
        "plan",
        "loss",
        "limits",
        "alternatives",
    ),
    *("turning_points", "ranges", "kit", "steps", "barred", "not_yet_computed", "sources"),
)
#: Where nobody repairs, whom to ring and what is done instead come before all else.
HELD_FIRST = ("cautions", "call", "steps")
#: Left out where what would turn the answer is shown, which may be long itself; one press away.
BESIDE_TURNS = ("kit", "steps", "barred", "not_yet_computed", "sources")
#: What to ask stands first on the page, and the facts stand in the text field as they were understood.
ELSEWHERE = ("questions", "facts_used")


class Answers:
    """Advice on what was asked last, so that a page that is called again, or that looks back one answer, need not work
    it out again. The same is always answered the same, so nothing here can be out of date."""

    def __init__(self, service: Advisor, most: int = 64) -> None:
        self._service = service
        self._most = most
        self._given: OrderedDict[bytes, Advice] = OrderedDict()
        self._lock = threading.Lock()

    def on(self, asked: Mapping[str, object]) -> Advice:
        """The advice on a request that names its moment. Raises :class:`InputError`."""
        key = orjson.dumps(asked, option=orjson.OPT_SORT_KEYS)
        with self._lock:
            if key in self._given:
                self._given.move_to_end(key)
                return self._given[key]
        advice = self._service.advise(asked, datetime.now(UTC)).advice
        with self._lock:
            self._given[key] = advice
            while len(self._given) > self._most:
                self._given.popitem(last=False)
        return advice


@desk.get("/")
def ask() -> Response:
    wanted(request, (HTML,))
    told, faults = read_told(request.args, _spoken())
    clock = datetime.now(UTC).replace(microsecond=0)
    if faults:
        return _refused(told, InputError(faults))
    if not told.facts:
        return _page(told, now=told.now)
    try:
        advice = _answers().on({**told.request(told.facts, clock), "turning_points": told.turning})
    except InputError as error:
        return _refused(told, error)
    return _advised(told, advice, clock)


@desk.post("/")
def keep() -> Response:
    """Advice on the same facts, kept, and shown under the name by which it can be had again: an address that can be
    copied, and loaded again without keeping a second one."""
    wanted(request, (HTML,))
    if request.mimetype != _FORM:
        raise UnsupportedMediaType(f"The form is sent as {_FORM}.")
    refuse_packed(request)
    told, faults = read_told(request.form, _spoken())
    if faults:
        return _refused(told, InputError(faults))
    clock = datetime.now(UTC)
    try:
        answer = advisor().advise(told.request(told.facts, clock, record=True), clock)
    except InputError as error:
        return _refused(told, error)
    return Response("", status=303, headers={"Location": f"/v1/advice/{answer.id}"})


@desk.get("/facts")
def everything() -> Response:
    """All that can be said of a fault, as one form; no advice is worked out for it."""
    wanted(request, (HTML,))
    spoken = _spoken()
    told, faults = read_told(request.args, spoken)
    known = {name: value for name, value in told.facts.items() if name in BY_NAME or name in TIME_NAMES}
    page = render_template(
        "facts.html",
        groups=groups(known, spoken, advisor().voice),
        now=told.now,
        held=held(told.facts),
        aside=told.put_aside,
        faults=[
            fault_line(said_fault(one, told.facts.get(one.field, ""), spoken, advisor().voice), advisor().voice)
            for one in faults[:_MOST_FAULTS]
        ],
    )
    return Response(page, status=200 if not faults else 422, mimetype=HTML)


def _spoken() -> Spoken:
    return Spoken.of(advisor().wording, typed_units(advisor().voice))


def _answers() -> Answers:
    found: Answers = current_app.extensions[ANSWERS]
    return found


def _advised(told: Told, advice: Advice, clock: datetime) -> Response:
    spoken, voice = _spoken(), advisor().voice
    names = dict(spoken.names)
    asked = [one for one in advice.questions if one.fact not in told.put_aside and one.fact in BY_NAME]
    ends, again = read_moment(advice.valid_until), sentences.on_arrival(advice, voice)
    return _page(
        told,
        now=advice.now,
        advice=advice,
        headline=prose(voice, sentences.headline(advice, voice)),
        reason=[prose(voice, line) for line in (*sentences.reason(advice, voice), *again)],
        validity=[prose(voice, line) for line in sentences.validity(advice, voice) if line not in again],
        question=asked[0] if asked else None,
        answer=field_of(asked[0].fact, spoken, voice) if asked else None,
        whom=voice.whom(asked[0].of_whom) if asked else "",
        others=[
            prose(voice, sentences.question(one, voice)) for one in advice.questions if not asked or one is not asked[0]
        ],
        parts=_in_order(advice, voice, is_turning=told.turning),
        headings=headings(voice),
        folded=FOLDED,
        pictures={
            "plan": Markup(cost_picture.render(advice, voice)),  # noqa: S704 - our own drawing, whose words are escaped
            "loss": Markup(loss_picture.render(advice, voice)),  # noqa: S704
            "turning_points": Markup(turning_picture.render(advice, names, voice)),  # noqa: S704
        },
        changed=_changed(told, advice, names),
        unknown=[spoken.name(name) for name in advice.unknown_that_matter],
        most_unknown=_MOST_UNKNOWN,
        has_run_out=ends is not None and clock > ends,
    )


def _in_order(advice: Advice, voice: Voice, *, is_turning: bool) -> list[tuple[str, list[str]]]:
    is_held = advice.action in HELD
    beside_turns = [name for name in BESIDE_TURNS if not (is_held and name == "steps")]
    left_out = (*ELSEWHERE, *beside_turns) if is_turning else ELSEWHERE
    said = {name: list(lines) for name, lines in parts(advice, voice) if name not in left_out}
    if is_turning and not advice.turning_points:
        said["turning_points"] = [advice.turning_points_said]
    order = (*HELD_FIRST, *ORDER) if is_held else ORDER
    return [(name, said[name]) for name in dict.fromkeys((*order, *said)) if any(said.get(name, ()))]


def _changed(told: Told, advice: Advice, names: Mapping[str, str]) -> list[str] | None:
    """What differs from the answer before; None where there was none."""
    if not told.before or told.before == told.facts:
        return None
    now = read_moment(advice.now) or datetime.now(UTC)
    try:
        before = _answers().on({**told.request(told.before, now), "now": advice.now, "turning_points": False})
    except InputError:
        return None
    return changes.lines(advisor().compared(before, advice), names, advisor().voice)


def _refused(told: Told, error: InputError) -> Response:
    return _page(told, now=told.now, error=error, status=422)


def _page(
    told: Told, *, now: str, error: InputError | None = None, status: int = 200, **shown_parts: object
) -> Response:
    spoken, voice = _spoken(), advisor().voice
    faults: tuple[Fault, ...] = error.faults if error else ()
    advice = shown_parts.get("advice")
    matters = advice.unknown_that_matter if isinstance(advice, Advice) else ()
    page = render_template(
        "desk.html",
        told=told,
        now=now,
        held=held(told.facts),
        before=held(told.before),
        link="" if told.now else told.link(now),
        text=_text(told, spoken, is_wrong=error is not None),
        fields=_fields(told, spoken, matters, faults),
        error=error,
        faults=[
            {"at": one.field, "said": fault_line(said_fault(one, told.facts.get(one.field, ""), spoken, voice), voice)}
            for one in faults[:_MOST_FAULTS]
        ],
        more_faults=max(len(faults) - _MOST_FAULTS, 0),
        places=field_of("place", spoken, advisor().voice).choices,
        caution=sentences.caution_mark(advisor().voice),
        **shown_parts,
    )
    return Response(page, status=status, mimetype=HTML)


def _text(told: Told, spoken: Spoken, *, is_wrong: bool) -> str:
    """What stands in the text field: all that is told, a line each; as it was typed where something is wrong."""
    if is_wrong:
        kept = {} if told.text else {name: told.facts[name] for name in told.facts if name not in told.fields}
        return told.text or _lines(kept, spoken)
    return _lines(told.facts, spoken)


def _lines(facts: Mapping[str, str], spoken: Spoken) -> str:
    return "\n".join(as_line(name, value, spoken) for name, value in facts.items())


def _fields(told: Told, spoken: Spoken, matters: tuple[str, ...], faults: tuple[Fault, ...]) -> list[Field]:
    """What is asked first and what matters most, unless it is told; where something is wrong, all that was filled in.

    Where little is told dozens of facts matter: all are named on the page, the first of them have fields there."""
    filled = {name: value for name, value in told.fields.items() if name in BY_NAME or name in TIME_NAMES}
    shown_filled = filled if faults else {}
    wanted_names = (
        *FIRST_ASKED,
        *[name for name in matters if name in BY_NAME and name not in told.facts][:_MOST_MATTERS],
    )
    names = dict.fromkeys((*shown_filled, *(name for name in wanted_names if name not in told.facts)))
    return [
        field_of(name, spoken, advisor().voice, shown_filled.get(name, ""), faults, explained=True) for name in names
    ]
