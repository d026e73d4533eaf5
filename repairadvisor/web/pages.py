"""The rules in force, to be read."""

from __future__ import annotations

from flask import Blueprint, Response, render_template, request

from repairadvisor.render.rule_kinds import KINDS
from repairadvisor.web.api import advisor
from repairadvisor.web.bodies import HTML, packed, wanted

pages = Blueprint("pages", __name__)


@pages.get("/policy")
def rules_in_force() -> Response:
    wanted(request, (HTML,))
    found = advisor().rules_in_force
    kinds = [kind for kind in KINDS if any(rule.kind == kind for rule in found.rules)]
    claims = advisor().claims()
    page = render_template("policy.html", found=found, kinds=kinds, claims=claims)
    return packed(Response(page, mimetype=HTML), request)
