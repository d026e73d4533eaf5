"""Events of ticket systems in, and what became of them: for programs, and as a page."""

from __future__ import annotations

import orjson
from flask import Blueprint, Response, current_app, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from repairadvisor.delivery.office import Office
from repairadvisor.delivery.published import plain_delivery
from repairadvisor.errors import NotFoundError
from repairadvisor.plugin import RawEvent
from repairadvisor.schemas.delivery import STATES, TROUBLED_STATES, read_query
from repairadvisor.store.deliveries import Delivery
from repairadvisor.web.bodies import HTML, JSON, refuse_packed, wanted

deliveries = Blueprint("deliveries", __name__)

_LISTED_ON_A_PAGE = 200
_SHOWN = tuple(state for state in STATES if state not in (*TROUBLED_STATES, "scheduled"))


def _office() -> Office | None:
    found: Office | None = current_app.extensions["repairadvisor.office"]
    return found


def _office_of(what: str, name: str) -> Office:
    found = _office()
    if found is None:
        raise NotFoundError(what, name)
    return found


@deliveries.post("/v1/events/<source>")
def take_event(source: str) -> Response:
    office = _office_of("source", source)  # whatever form of answer it accepts: an event is not lost over that
    refuse_packed(request)
    headers = {name.lower(): value for name, value in request.headers.items()}
    id, is_new = office.accept(source, RawEvent(headers, request.get_data(cache=False)))  # noqa: A001
    answer = Response(orjson.dumps({"delivery": id, "again": not is_new}) + b"\n", status=202, mimetype=JSON)
    answer.headers["Location"] = f"/v1/deliveries/{id}"
    return answer


@deliveries.get("/v1/deliveries")
def list_deliveries() -> Response:
    wanted(request, (JSON,))
    asked = read_query(dict(request.args.lists()))
    office = _office()
    found = {
        "counts": {} if office is None else office.ledger.counted(),
        "sources_in_trouble": {} if office is None else office.ledger.poll_problems(),
        "deliveries": [] if office is None else [plain_delivery(one) for one in office.ledger.listed(**asked)],
    }
    return Response(orjson.dumps(found), mimetype=JSON)


@deliveries.get("/v1/deliveries/<delivery_id>")
def given_delivery(delivery_id: str) -> Response:
    wanted(request, (JSON,))
    return _json(_office_of("delivery", delivery_id).ledger.given(delivery_id))


@deliveries.post("/v1/deliveries/<delivery_id>/retry")
def retry_delivery(delivery_id: str) -> Response:
    wanted(request, (JSON,))
    return _json(_office_of("delivery", delivery_id).ledger.retry(delivery_id))


@deliveries.post("/v1/deliveries/<delivery_id>/cancel")
def cancel_delivery(delivery_id: str) -> Response:
    wanted(request, (JSON,))
    return _json(_office_of("delivery", delivery_id).ledger.cancel(delivery_id))


@deliveries.get("/deliveries")
def deliveries_page() -> Response:
    """Those in trouble first; then the last ones. What is only to be looked at again later is counted, not shown."""
    wanted(request, (HTML,))
    ticket = read_query({"ticket": [request.args.get("ticket", "").strip()]})["reference"]
    ledger = None if (office := _office()) is None else office.ledger
    found = [] if ledger is None else ledger.listed(_SHOWN, reference=ticket, limit=_LISTED_ON_A_PAGE)
    troubled = [] if ledger is None else ledger.listed(TROUBLED_STATES, reference=ticket, limit=_LISTED_ON_A_PAGE)
    page = render_template(
        "deliveries.html",
        is_set_up=ledger is not None,
        ticket=ticket,
        counts={} if ledger is None else ledger.counted(),
        sources_in_trouble={} if ledger is None else ledger.poll_problems(),
        troubled=[plain_delivery(one) for one in troubled],
        others=[plain_delivery(one) for one in found],
    )
    return Response(page, mimetype=HTML)


@deliveries.post("/deliveries/<delivery_id>/retry")
def retry_on_the_page(delivery_id: str) -> AnyResponse:
    _office_of("delivery", delivery_id).ledger.retry(delivery_id)
    return redirect(url_for("deliveries.deliveries_page"), 303)


def _json(delivery: Delivery) -> Response:
    return Response(orjson.dumps(plain_delivery(delivery)), mimetype=JSON)
