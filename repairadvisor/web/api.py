"""The JSON routes. What they answer is in the service; how they are refused is in :mod:`.problems`."""

from __future__ import annotations

from datetime import UTC, datetime

import orjson
from flask import Blueprint, Response, current_app, render_template, request

from repairadvisor.decision.what_if import Comparison
from repairadvisor.errors import NotFoundError
from repairadvisor.render import terminal, ticket_note
from repairadvisor.render.comparison import render as render_comparison
from repairadvisor.render.replay import render as render_replay
from repairadvisor.render.sentences import caution_mark
from repairadvisor.replay import replay_of
from repairadvisor.schemas.advice import comparison_bytes
from repairadvisor.schemas.claims import claims_bytes
from repairadvisor.schemas.fact_table import fact_table
from repairadvisor.schemas.fault_tree import tree_bytes
from repairadvisor.schemas.replay import replay_bytes
from repairadvisor.schemas.rules_in_force import rules_bytes
from repairadvisor.service import Advisor, Answer, KeepAs
from repairadvisor.web import problems
from repairadvisor.web.bodies import HTML, JSON, TEXT, idempotency_key, json_object, wanted

api = Blueprint("api", __name__)

#: Under this name the application keeps how many nodes a tree may have: whoever asks holds up one of its threads.
MOST_TREE_NODES = "MOST_TREE_NODES"

#: Under this name the application keeps the folder for what can be worked out again.
CACHE = "CACHE"

_FACT_TABLE = orjson.dumps(fact_table())


def advisor() -> Advisor:
    """The service behind this application."""
    found: Advisor = current_app.extensions["repairadvisor"]
    return found


@api.post("/v1/advice")
def give_advice() -> Response:
    form = wanted(request, (JSON, TEXT, HTML))
    key = idempotency_key(request)
    asked = json_object(request)
    if asked.get("compare_with") is not None:
        return compared(advisor().compare(asked, datetime.now(UTC)), form)
    return shown(advisor().advise(asked, datetime.now(UTC), KeepAs.of_key(key, asked) if key else None), form)


@api.get("/v1/advice/<advice_id>")
def given_advice(advice_id: str) -> Response:
    form = wanted(request, (JSON, TEXT, HTML))
    if form == JSON:
        return Response(advisor().given(advice_id).document, mimetype=JSON, headers={"Vary": "Accept"})
    return shown(advisor().answer_given(advice_id), form)


@api.post("/v1/advice/<advice_id>/replay")
def replay_advice(advice_id: str) -> Response:
    form = wanted(request, (JSON, TEXT))
    found = replay_of(advisor(), advice_id, current_app.config[CACHE])
    body = replay_bytes(found) if form == JSON else render_replay(found, advisor().voice).encode()
    return Response(body, mimetype=form, headers={"Vary": "Accept"})


@api.post("/v1/trees")
def grow_tree() -> Response:
    wanted(request, (JSON,))
    asked = json_object(request)
    found = advisor().tree(asked, datetime.now(UTC), current_app.config[MOST_TREE_NODES])
    return Response(tree_bytes(found), mimetype=JSON)


@api.get("/v1/facts")
def facts() -> Response:
    wanted(request, (JSON,))
    return Response(_FACT_TABLE, mimetype=JSON)


@api.get("/v1/policy")
def rules_in_force() -> Response:
    wanted(request, (JSON,))
    return Response(rules_bytes(advisor().rules_in_force), mimetype=JSON)


@api.get("/v1/policy/claims")
def claims() -> Response:
    wanted(request, (JSON,))
    return Response(claims_bytes(advisor().claims()), mimetype=JSON)


@api.get("/health/live")
def live() -> Response:
    wanted(request, (JSON,))
    return Response(b'{"status":"live"}', mimetype=JSON)


@api.get("/openapi.json")
def openapi() -> Response:
    from repairadvisor.web.openapi import document_bytes  # noqa: PLC0415 - costs start-up time, is asked for seldom

    wanted(request, (JSON,))
    return Response(document_bytes(), mimetype=JSON)


@api.get("/problems/<slug>")
def problem_kind(slug: str) -> Response:
    """What the ``type`` of a problem leads to."""
    kind = problems.KINDS.get(slug)
    if kind is None:
        raise NotFoundError("kind of problem", slug)
    return Response(f"{kind.title}.\n{kind.what_to_do}\n", mimetype=TEXT)


def compared(comparison: Comparison, form: str) -> Response:
    """Two answers side by side in the form that is wanted; nothing is kept of them."""
    if form == JSON:
        return Response(comparison_bytes(comparison), mimetype=JSON, headers={"Vary": "Accept"})
    text = render_comparison(comparison, advisor().voice)
    if form == TEXT:
        return Response(text, mimetype=TEXT, headers={"Vary": "Accept"})
    return Response(_page(text, None), mimetype=HTML, headers={"Vary": "Accept"})


def _page(text: str, advice_id: str | None) -> str:
    """A text of a terminal as a page."""
    return render_template("advice.html", text=text, id=advice_id, caution=caution_mark(advisor().voice))


def shown(answer: Answer, form: str) -> Response:
    """An answer in the form that is wanted, and where it can be read again."""
    voice = advisor().voice
    if form == JSON:
        response = Response(answer.document, mimetype=JSON)
    elif form == TEXT:
        response = Response(ticket_note.render(answer.advice, voice), mimetype=TEXT)
    else:
        response = Response(_page(terminal.render(answer.advice, voice), answer.id), mimetype=HTML)
    if answer.id is not None:
        response.headers["Location"] = f"/v1/advice/{answer.id}"
    response.headers["Vary"] = "Accept"
    return response
