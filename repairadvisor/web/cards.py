"""The pocket card: one page that opens again without a network, and the worker that keeps it on the device."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from typing import Any

import orjson
from flask import Blueprint, Response, current_app, render_template, request

from repairadvisor.card_making import CardMaking, TooManyCardsError
from repairadvisor.errors import NotFoundError
from repairadvisor.render.pocket_card import Dress, render
from repairadvisor.render.voice import Voice
from repairadvisor.web.api import advisor
from repairadvisor.web.bodies import HTML, JSON, wanted
from repairadvisor.web.style import script, style
from repairadvisor.web.words import VOICE

cards = Blueprint("cards", __name__)

#: Under this name the application keeps who makes cards.
CARD_MAKING = "repairadvisor.card_making"
#: The page looks again after so many seconds for every card that is being made, and after so many at the most.
LOOK_AGAIN_S, LOOK_AGAIN_MOST_S = 3, 60
#: What the worker may do: ask this service for cards.
_POLICY_OF_WORKER = "default-src 'none'; connect-src 'self'"
_WORKER = "card_worker.js"
#: The parts of the script, in their order.
SCRIPTS = ("card_kept.js", "card.js", "card_joint.js", "card_send.js")


@cards.get("/cards/<advice_id>")
def pocket_card(advice_id: str) -> Response:
    form = wanted(request, (HTML, JSON))
    making: CardMaking | None = current_app.extensions[CARD_MAKING]
    if making is None:
        raise NotFoundError("advice", advice_id)
    if form == JSON:
        return _standing(making.holds(advice_id))
    try:
        card = making.card(advice_id)
        response = _being_made(advice_id, making.waiting()) if card is None else _page(card)
    except TooManyCardsError:
        response = _too_many(advice_id)
    response.headers["Vary"] = "Accept"
    response.headers["Cache-Control"] = "no-cache"
    return response


@cards.get("/cards/worker.js")
def worker() -> Response:
    """The worker that opens cards without a network; it has to come from within the addresses that it serves."""
    response = Response(script(_WORKER), mimetype="text/javascript")
    response.headers["Service-Worker-Allowed"] = "/cards/"
    response.headers["Content-Security-Policy"] = _POLICY_OF_WORKER
    response.headers["Cache-Control"] = "no-cache"
    response.add_etag()
    response.make_conditional(request)
    return response


def _page(card: dict[str, Any]) -> Response:
    voice: Voice = current_app.extensions[VOICE]
    made = render(card, voice, _dress(), advisor().method.policy_id, datetime.now(UTC))
    response = Response(made.html, mimetype=HTML)
    response.headers["Content-Security-Policy"] = f"{made.security}; frame-ancestors 'none'"
    return response


@cache
def _dress() -> Dress:
    """Style and script of every card. The parts of the script know each other and nobody else knows them."""
    parts = "".join(script(name) for name in SCRIPTS)
    return Dress(style("card.css"), f'"use strict";(async () => {{\n{parts}}})();\n')


def _being_made(advice_id: str, waiting: int) -> Response:
    """The page that looks again by itself: the later, the more cards wait."""
    page = render_template("card_being_made.html", id=advice_id, said="being_made")
    response = Response(page, mimetype=HTML, status=202)
    response.headers["Refresh"] = str(min(LOOK_AGAIN_S * max(waiting, 1), LOOK_AGAIN_MOST_S))
    return response


def _too_many(advice_id: str) -> Response:
    """More cards wait than may: when to come again."""
    page = render_template("card_being_made.html", id=advice_id, said="many")
    response = Response(page, mimetype=HTML, status=503)
    response.headers["Retry-After"] = str(LOOK_AGAIN_MOST_S)
    return response


def _standing(held: dict[str, str]) -> Response:
    """What a card that was opened before asks once there is a network: the time, and the rules in force."""
    body = {**held, "policy_in_force": advisor().method.policy_id, "now": datetime.now(UTC).isoformat()}
    return Response(orjson.dumps(body), mimetype=JSON, headers={"Vary": "Accept", "Cache-Control": "no-store"})
