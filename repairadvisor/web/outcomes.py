"""Reports of work in, verdicts out; and what is known of the work under an advice."""

from __future__ import annotations

from datetime import UTC, datetime

from flask import Blueprint, Response, current_app, request

from repairadvisor.errors import ConflictError, NotFoundError
from repairadvisor.render.outcome import render, render_work
from repairadvisor.schemas.outcome_answer import answer_bytes, read_answer
from repairadvisor.store.outcomes import KeptReport
from repairadvisor.web.api import advisor
from repairadvisor.web.bodies import JSON, TEXT, idempotency_key, json_object, wanted
from repairadvisor.work_done import WorkDone

outcomes = Blueprint("outcomes", __name__)

#: Under this name the application keeps who judges work that was done.
WORK_DONE = "repairadvisor.work_done"


def _work_done() -> WorkDone:
    found: WorkDone | None = current_app.extensions[WORK_DONE]
    if found is None:
        raise NotFoundError("record of work", "")
    return found


@outcomes.post("/v1/outcomes")
def report_outcome() -> Response:
    form = wanted(request, (JSON, TEXT))
    key = idempotency_key(request)
    return _shown(_work_done().report(json_object(request), datetime.now(UTC), key), form)


@outcomes.get("/v1/outcomes/<report_id>")
def given_outcome(report_id: str) -> Response:
    form = wanted(request, (JSON, TEXT))
    return _shown(_work_done().kept(report_id, datetime.now(UTC)), form)


@outcomes.get("/v1/advice/<advice_id>/outcomes")
def work_so_far(advice_id: str) -> Response:
    form = wanted(request, (JSON, TEXT))
    found = _work_done().so_far(advice_id, datetime.now(UTC))
    body = answer_bytes(found) if form == JSON else render_work(found, advisor().voice).encode()
    return Response(body, mimetype=form, headers={"Vary": "Accept"})


def _shown(report: KeptReport, form: str) -> Response:
    """The answer to a report in the form that is wanted, and where it can be read again."""
    headers = {"Location": f"/v1/outcomes/{report.id}", "Vary": "Accept"}
    if form == JSON:
        return Response(report.answer, mimetype=JSON, headers=headers)
    try:
        text = render(read_answer(report.answer), advisor().voice)
    except ValueError as error:
        raise ConflictError(f"this was answered by another version: /v1/outcomes/{report.id} has it as JSON") from error
    return Response(text, mimetype=TEXT, headers=headers)
