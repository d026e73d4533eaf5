"""Two policies that are kept, compared on a page over advice that was given here."""

from __future__ import annotations

from functools import partial

from flask import Blueprint, Response, current_app, render_template, request

from repairadvisor.errors import ConflictError, Fault, InputError, NotFoundError, PolicyError
from repairadvisor.facts.parse import shown
from repairadvisor.policy.model import Policy
from repairadvisor.policy_change import claims_kept, compare_policies, policy_by_id, recorded
from repairadvisor.render.policy_comparison import example, headline, parts, place
from repairadvisor.store.records import Records
from repairadvisor.web.api import CACHE, advisor
from repairadvisor.web.bodies import HTML, wanted

policies = Blueprint("policies", __name__)

#: Whoever asks holds up a thread for as long as it takes.
USUAL_RECORDS, MOST_RECORDS = 10, 50
_QUERY = ("with", "policy", "records")


@policies.get("/policy/compare")
def compare_page() -> Response:
    """Without an old policy the form alone."""
    wanted(request, (HTML,))
    asked = _asked()
    records = advisor().records
    if records is None:
        raise NotFoundError("policy", asked["with"])
    in_force = advisor().method.policy_id
    new, old = asked["policy"] or in_force, asked["with"]
    count = _count(asked["records"])
    shown_parts = _compared(records, old, new, count) if old else {}
    page = render_template(
        "policy_compare.html",
        policies=records.policy_ids(),
        in_force=in_force,
        old=old or in_force,
        new=new,
        records=count,
        most=MOST_RECORDS,
        **shown_parts,
    )
    return Response(page, mimetype=HTML)


def _compared(records: Records, old: str, new: str, count: int) -> dict[str, object]:
    before, after = _policy(old, records), _policy(new, records)
    faults = recorded(records, count)
    try:
        prover = partial(claims_kept, records)
        found = compare_policies(before, after, faults, records=records, cache=current_app.config[CACHE], prover=prover)
    except PolicyError as error:
        raise ConflictError(f"this version cannot use a policy: {error}") from error
    return {
        "found": found,
        "headline": headline(found),
        "parts": list(parts(found)),
        "faults": faults.said,
        "examples": [(one.case, place(one), example(one, found)) for one in found.worst],
    }


def _policy(policy_id: str, records: Records) -> Policy:
    try:
        return policy_by_id(policy_id, records)
    except PolicyError as error:
        raise ConflictError(f"this version cannot use policy {policy_id[:12]}: {error}") from error


def _asked() -> dict[str, str]:
    given = dict(request.args.lists())
    faults = [
        Fault("unknown-field", shown(name), shown(texts[0]), "no such field", ", ".join(_QUERY))
        for name, texts in given.items()
        if name not in _QUERY
    ]
    faults += [
        Fault("name-twice", name, shown(texts[-1]), "stands twice", "once")
        for name, texts in given.items()
        if name in _QUERY and len(texts) > 1
    ]
    if faults:
        raise InputError(faults)
    return {name: given.get(name, [""])[0].strip() for name in _QUERY}


def _count(text: str) -> int:
    if not text:
        return USUAL_RECORDS
    if text.isascii() and text.isdigit() and len(text) < 6 and 1 <= int(text) <= MOST_RECORDS:
        return int(text)
    problem = "is no number of advices that can be compared here"
    raise InputError([Fault("out-of-range", "records", shown(text), problem, f"1 to {MOST_RECORDS}")])
