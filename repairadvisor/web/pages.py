"""The first page: the few facts that are asked first, and the advice on them as text."""

from __future__ import annotations

from datetime import UTC, datetime

from flask import Blueprint, Response, render_template, request
from werkzeug.exceptions import UnsupportedMediaType

from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.parse import shown as shown_text
from repairadvisor.facts.vocabulary import BY_NAME, FIRST_ASKED
from repairadvisor.render.rule_kinds import KIND_SAID
from repairadvisor.schemas.typed import typed_fact
from repairadvisor.web.api import advisor, shown
from repairadvisor.web.bodies import HTML, refuse_packed, wanted

pages = Blueprint("pages", __name__)

_FORM = "application/x-www-form-urlencoded"
FIRST_FACTS = tuple(BY_NAME[name] for name in FIRST_ASKED)


@pages.get("/")
def desk() -> Response:
    wanted(request, (HTML,))
    return _page({}, None)


@pages.get("/policy")
def rules_in_force() -> Response:
    wanted(request, (HTML,))
    found = advisor().rules_in_force
    kinds = [kind for kind in KIND_SAID if any(rule.kind == kind for rule in found.rules)]
    claims = advisor().claims()
    page = render_template("policy.html", found=found, kinds=kinds, said=KIND_SAID, claims=claims)
    return Response(page, mimetype=HTML)


@pages.post("/")
def ask_at_the_desk() -> Response:
    wanted(request, (HTML,))
    if request.mimetype != _FORM:
        raise UnsupportedMediaType(f"The form is sent as {_FORM}.")
    refuse_packed(request)
    given = {name: texts for name, texts in request.form.lists() if any(text.strip() for text in texts)}
    try:
        facts = {name: _fact(name, texts) for name, texts in given.items()}
        answer = advisor().advise({"facts": facts}, datetime.now(UTC))
    except InputError as error:
        return _page({name: texts[0] for name, texts in given.items()}, error)
    return shown(answer, HTML)


def _fact(name: str, texts: list[str]) -> object:
    if len(texts) > 1:
        raise InputError([Fault("name-twice", name, shown_text(texts[-1]), "stands twice in the form", "once")])
    return typed_fact(name, texts[0])


def _page(given: dict[str, str], error: InputError | None) -> Response:
    page = render_template("desk.html", facts=FIRST_FACTS, given=given, error=error, wording=advisor().wording)
    return Response(page, status=200 if error is None else 422, mimetype=HTML)
