"""Control charts of machines, cleavers and persons, for programs and as a page."""

from __future__ import annotations

from datetime import UTC, datetime

from flask import Blueprint, Response, render_template, request

from repairadvisor.made_joints import USUALLY_BACK, made_joints
from repairadvisor.outcome.workmanship_charts import Workmanship
from repairadvisor.render.chart_picture import HIGH, WIDE, picture
from repairadvisor.schemas.workmanship import read_since, workmanship_bytes
from repairadvisor.web.api import advisor
from repairadvisor.web.bodies import HTML, JSON, wanted

workmanship = Blueprint("workmanship", __name__)


@workmanship.get("/v1/workmanship")
def charts() -> Response:
    wanted(request, (JSON,))
    found, since = _found()
    return Response(workmanship_bytes(found, since), mimetype=JSON)


@workmanship.get("/workmanship")
def charts_page() -> Response:
    """Those that signalled, then the silent ones, folded."""
    wanted(request, (HTML,))
    found, since = _found()
    shown = [(chart, picture(chart, found.interval, advisor().voice)) for chart in found.charts]
    page = render_template(
        "workmanship.html",
        found=found,
        since=since,
        signalled=[one for one in shown if one[0].signals],
        silent=[one for one in shown if not one[0].signals],
        wide=WIDE,
        high=HIGH,
    )
    return Response(page, mimetype=HTML)


def _found() -> tuple[Workmanship, datetime]:
    since = read_since(dict(request.args.lists())) or datetime.now(UTC) - USUALLY_BACK
    records = advisor().records
    return advisor().method.workmanship(() if records is None else made_joints(records, since)), since
