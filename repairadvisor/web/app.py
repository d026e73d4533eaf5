"""The application."""

from __future__ import annotations

from flask import Flask, Response

from repairadvisor.card_making import CardMaking
from repairadvisor.delivery.office import Office
from repairadvisor.schemas.json_text import LONGEST
from repairadvisor.service import Advisor, open_advisor
from repairadvisor.settings import Settings
from repairadvisor.web import problems
from repairadvisor.web.api import CACHE, MOST_TREE_NODES, api
from repairadvisor.web.cards import CARD_MAKING, cards
from repairadvisor.web.deliveries import deliveries
from repairadvisor.web.desk import ANSWERS, Answers, desk
from repairadvisor.web.outcomes import WORK_DONE, outcomes
from repairadvisor.web.pages import pages
from repairadvisor.web.pole import pole
from repairadvisor.web.policies import policies
from repairadvisor.web.style import send_style_light
from repairadvisor.web.this_machine import refuse_strangers
from repairadvisor.web.words import give_words
from repairadvisor.web.workmanship import workmanship
from repairadvisor.work_done import WorkDone

#: No script, nothing from elsewhere, in nobody's frame.
_POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


def create_app(settings: Settings, advisor: Advisor | None = None, office: Office | None = None) -> Flask:
    """The application over ``advisor``, or over the one that ``settings`` open, and over an ``office`` that is
    started, if any is."""
    app = Flask("repairadvisor.web")
    app.config["MAX_CONTENT_LENGTH"] = LONGEST
    app.config[MOST_TREE_NODES] = settings.tree_nodes
    app.config[CACHE] = settings.cache
    # A path is what it is: no redirects between spellings, which would lose a body.
    app.url_map.merge_slashes = False
    app.url_map.strict_slashes = True
    app.extensions["repairadvisor"] = advisor = advisor if advisor is not None else open_advisor(settings)
    app.extensions["repairadvisor.office"] = office
    app.extensions[WORK_DONE] = _work_done(settings, advisor, office)
    app.extensions[ANSWERS] = Answers(advisor)
    app.extensions[CARD_MAKING] = None if advisor.records is None else CardMaking(advisor)
    send_style_light(app)
    app.register_blueprint(api)
    app.register_blueprint(cards)
    app.register_blueprint(deliveries)
    app.register_blueprint(desk)
    app.register_blueprint(outcomes)
    app.register_blueprint(pages)
    app.register_blueprint(pole)
    app.register_blueprint(policies)
    app.register_blueprint(workmanship)
    give_words(app, advisor.voice)
    app.before_request(refuse_strangers)
    app.after_request(_guard)
    problems.install(app)
    return app


def _work_done(settings: Settings, advisor: Advisor, office: Office | None) -> WorkDone | None:
    """Who judges work that was done; nobody where no advice is kept beside which it could be kept."""
    if advisor.records is None:
        return None
    return WorkDone(advisor, settings.outcome_days, None if office is None else office.work_notes.owe)


def _guard(response: Response) -> Response:
    response.headers["X-Content-Type-Options"] = "nosniff"
    # A pocket card and its worker bring their own, stricter where they need no form and no picture.
    response.headers.setdefault("Content-Security-Policy", _POLICY)
    # Under "no-referrer" a browser would send our own form with "Origin: null".
    response.headers["Referrer-Policy"] = "same-origin"
    return response
