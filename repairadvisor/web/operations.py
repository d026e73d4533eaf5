"""What each route takes and gives, for the OpenAPI file."""

from __future__ import annotations

from typing import Any

from repairadvisor.schemas.advice import SCHEMAS, AdviceSchema
from repairadvisor.schemas.claims import ClaimsSchema
from repairadvisor.schemas.delivery import (
    LISTED,
    MOST_LISTED,
    STATES,
    AcceptedSchema,
    DeliveriesSchema,
    DeliverySchema,
)
from repairadvisor.schemas.fact_table import FactTableSchema
from repairadvisor.schemas.fault_tree import TreeSchema
from repairadvisor.schemas.outcome_answer import OutcomeAnswerSchema, WorkSoFarSchema
from repairadvisor.schemas.outcome_schema import ReportSchema
from repairadvisor.schemas.replay import ReplaySchema
from repairadvisor.schemas.request import AdviceRequestSchema, TreeRequestSchema
from repairadvisor.schemas.rules_in_force import RulesInForceSchema
from repairadvisor.schemas.workmanship import WorkmanshipSchema
from repairadvisor.web.bodies import KEY_PATTERN
from repairadvisor.web.problems import KINDS

#: Requests that stand in the file as examples; each can be sent as it is.
EXAMPLES: dict[str, dict[str, Any]] = {
    "little_known": {
        "summary": "What a caller can say",
        "value": {"facts": {"place": "pole_top", "fault_seen": "hanging", "precipitation": "rain"}, "record": False},
    },
    "pole_top": {
        "summary": "A cable on a pole, with what the crew has measured",
        "value": {
            "now": "2031-05-04T07:30:00Z",
            "facts": {
                "place": "pole_top",
                "fault_seen": "cut",
                "fibre_mode": "single_mode",
                "spare_near_m": {"value": 3, "unit": "m", "source": "crew at Tallow Lane"},
                "spare_far_m": {"between": [0.5, 2]},
                "wind_gust_mps": {"value": 20, "unit": "km/h", "seen_at": "2031-05-04T07:20:00Z"},
                "lightning": "none",
                "margin_db": 4.2,
                "may_climb": True,
            },
            "record": False,
        },
    },
    "sources_disagree": {
        "summary": "A chamber; two sources that disagree, and a moment",
        "value": {
            "now": "2031-05-04T07:30:00Z",
            "facts": {
                "place": {"one_of": ["chamber", "footway_chamber"]},
                "depth_m": [
                    {"value": 1.2, "source": "plan of Saltgate"},
                    {"value": 1.6, "source": "caller"},
                ],
                "gas_test": "clear",
                "gas_test_at": "2031-05-04T07:10:00Z",
            },
            "record": False,
        },
    },
}

EXAMPLES_OF_TREES: dict[str, dict[str, Any]] = {
    "pulled_plug": {
        "summary": "The first two questions for a plug pulled out at the top of a pole",
        "value": {
            "now": "2031-05-04T07:30:00Z",
            "facts": {"place": "pole_top", "fault_seen": "pulled_plug"},
            "depth": 2,
        },
    },
}

EXAMPLES_OF_REPORTS: dict[str, dict[str, Any]] = {
    "a_tube": {
        "summary": "A tube of twelve, one of them made twice",
        "value": {
            "advice": "0123456789abcdef0123456789abcdef",
            "each": {"joint": 1, "method": "fusion_splice", "made_at": "2021-05-04T09:10:00Z", "machine": "M-0412"},
            "attempts": [
                {"fibre": "T1F1..T1F12", "attempt": 1, "readings": [{"nm": 1310, "both_ways_db": 0.04}]},
                {"fibre": "T1F7", "attempt": 1, "readings": [{"nm": 1310, "both_ways_db": 0.31}]},
                {"fibre": "T1F7", "attempt": 2, "readings": [{"nm": 1310, "both_ways_db": 0.06}]},
            ],
            "evidence": ["photograph of tray 1"],
        },
    },
}

_TEXT = {"text/plain": {"schema": {"type": "string"}}}
_ADVICE_ID = {
    "name": "advice_id",
    "in": "path",
    "required": True,
    "description": "the id under which the advice is kept",
    "schema": {"type": "string", "pattern": "^[0-9a-f]{32}$"},
}
_IDEMPOTENCY_KEY = {
    "name": "Idempotency-Key",
    "in": "header",
    "required": False,
    "description": "what is asked again under the same key is answered with what was kept the first time",
    "schema": {"type": "string", "pattern": f"^({KEY_PATTERN})$"},
}
_SOURCE = {
    "name": "source",
    "in": "path",
    "required": True,
    "description": "the operator's name of the ticket source",
    "schema": {"type": "string", "pattern": "^[a-z][a-z0-9_-]{0,39}$"},
}
_DELIVERY_ID = {
    "name": "delivery_id",
    "in": "path",
    "required": True,
    "description": "the delivery's id",
    "schema": {"type": "string", "pattern": "^[0-9a-f]{32}$"},
}


#: What any route may answer besides its own.
_ANYWHERE = (400, 406, 421, 500)


def _refusals(*statuses: int) -> dict[str, Any]:
    return {str(status): f"problem_{status}" for status in (*statuses, *_ANYWHERE)}


def _answered(schema: Any, description: str) -> dict[str, Any]:
    return {"description": description, "content": {"application/json": {"schema": schema}}}


def paths() -> dict[str, dict[str, Any]]:
    return {
        "/v1/advice": {"post": _give_advice()},
        "/v1/advice/{advice_id}": {
            "get": {
                "operationId": "given_advice",
                "summary": "An advice as it was given, byte for byte",
                "parameters": [_ADVICE_ID],
                "responses": {"200": _advice_in_any_form(), **_refusals(404, 409, 503)},
            }
        },
        "/v1/advice/{advice_id}/replay": {"post": _replay_advice()},
        "/v1/trees": {"post": _grow_tree()},
        **_outcomes(),
        **_deliveries(),
        "/v1/facts": {
            "get": {
                "operationId": "facts",
                "summary": "Everything that can be said of a fault",
                "responses": {"200": _answered(FactTableSchema, "The table of facts."), **_refusals()},
            }
        },
        "/v1/policy": {
            "get": {
                "operationId": "rules_in_force",
                "summary": "The rules in force in words, each with its examples, and every number they rest on",
                "responses": {"200": _answered(RulesInForceSchema, "The policy in force."), **_refusals()},
            }
        },
        "/v1/policy/claims": {
            "get": {
                "operationId": "claims",
                "summary": "What the policy claims, and what became of each claim when it was last looked at",
                "responses": {"200": _answered(ClaimsSchema, "The claims of the policy in force."), **_refusals()},
            }
        },
        "/v1/workmanship": {
            "get": {
                "operationId": "workmanship",
                "summary": "Control charts of machines, cleavers and persons, from recorded joints",
                "parameters": [_asked("since", {"type": "string", "format": "date-time"})],
                "responses": {"200": _answered(WorkmanshipSchema, "The charts."), **_refusals(422, 503)},
            }
        },
        "/health/live": {
            "get": {
                "operationId": "live",
                "summary": "Whether the process answers",
                "responses": {"200": _answered(_LIVE, "It does."), **_refusals()},
            }
        },
        "/openapi.json": {
            "get": {
                "operationId": "openapi",
                "summary": "This file",
                "responses": {"200": _answered({"type": "object"}, "This file."), **_refusals()},
            }
        },
        "/problems/{slug}": {
            "get": {
                "operationId": "problem_kind",
                "summary": "What a kind of problem means and what to do about it",
                "parameters": [
                    {"name": "slug", "in": "path", "required": True, "schema": {"type": "string", "enum": [*KINDS]}}
                ],
                "responses": {"200": {"description": "In words.", "content": _TEXT}, **_refusals(404)},
            }
        },
    }


_LIVE = {
    "type": "object",
    "properties": {"status": {"const": "live"}},
    "required": ["status"],
    "additionalProperties": False,
}


def _advice_in_any_form() -> dict[str, Any]:
    answered = _answered(AdviceSchema, "The advice.")
    answered["content"] |= {**_TEXT, "text/html": {"schema": {"type": "string"}}}
    return answered


def _give_advice() -> dict[str, Any]:
    answered = _advice_in_any_form()
    answered["description"] = "The advice; with compare_with both answers side by side."
    answered["content"]["application/json"]["schema"] = {"oneOf": [AdviceSchema, SCHEMAS["Comparison"]]}
    answered["headers"] = {
        "Location": {
            "description": "where the advice can be read again; only if it is kept",
            "schema": {"type": "string", "format": "uri-reference"},
        }
    }
    return {
        "operationId": "give_advice",
        "summary": "Facts in, advice out",
        "description": "The advice is kept, with its facts and its policy, unless the request says otherwise.",
        "requestBody": {
            "required": True,
            "content": {"application/json": {"schema": AdviceRequestSchema, "examples": EXAMPLES}},
        },
        "parameters": [_IDEMPOTENCY_KEY],
        "responses": {"200": answered, **_refusals(403, 409, 413, 415, 422, 503)},
    }


def _replay_advice() -> dict[str, Any]:
    answered = _answered(ReplaySchema, "Whether it is the same, byte for byte, and where it differs.")
    answered["content"] |= _TEXT
    return {
        "operationId": "replay_advice",
        "summary": "A recorded advice made again under the policy that gave it",
        "description": "Nothing is kept, and what was given stays. Under the same version of the method it is the "
        "same, byte for byte; under another one it says place by place what is said otherwise now. 409 where this "
        "version cannot use that policy at all.",
        "parameters": [_ADVICE_ID],
        "responses": {"200": answered, **_refusals(403, 404, 409, 503)},
    }


def _grow_tree() -> dict[str, Any]:
    return {
        "operationId": "grow_tree",
        "summary": "What to ask next, answer by answer, and the advice at the end of every way",
        "description": "Nothing is kept. A tree is given whole or refused: where these facts and this depth lead to "
        "more nodes than the operator allows, tell more facts or ask for less depth.",
        "requestBody": {
            "required": True,
            "content": {"application/json": {"schema": TreeRequestSchema, "examples": EXAMPLES_OF_TREES}},
        },
        "responses": {"200": _answered(TreeSchema, "The tree."), **_refusals(403, 413, 415, 422)},
    }


def _outcomes() -> dict[str, dict[str, Any]]:
    answered = _answered(OutcomeAnswerSchema, "The verdicts, equal ones folded; the same whenever it is asked again.")
    answered["content"] |= _TEXT
    so_far = _answered(WorkSoFarSchema, "Every attempt that counts, and the verdict on each joint.")
    so_far["content"] |= _TEXT
    return {
        "/v1/outcomes": {"post": _report_outcome(answered)},
        "/v1/outcomes/{report_id}": {
            "get": {
                "operationId": "given_outcome",
                "summary": "What was answered to a report of work, byte for byte",
                "parameters": [{**_ADVICE_ID, "name": "report_id", "description": "the id of the report"}],
                "responses": {"200": answered, **_refusals(404, 409, 503)},
            }
        },
        "/v1/advice/{advice_id}/outcomes": {
            "get": {
                "operationId": "work_so_far",
                "summary": "All that is known of the work under an advice",
                "parameters": [_ADVICE_ID],
                "responses": {"200": so_far, **_refusals(404, 409, 503)},
            }
        },
    }


def _report_outcome(answered: dict[str, Any]) -> dict[str, Any]:
    location = {"description": "where the answer can be read again", "schema": _REFERENCE}
    return {
        "operationId": "report_outcome",
        "summary": "A report of joints that were made and measured in, verdicts out",
        "description": "Every attempt is kept beside the advice it belongs to. The same report is kept once, and "
        "answered with what was answered the first time; another report under the same key is refused with 409.",
        "requestBody": {
            "required": True,
            "content": {"application/json": {"schema": ReportSchema, "examples": EXAMPLES_OF_REPORTS}},
        },
        "parameters": [_IDEMPOTENCY_KEY],
        "responses": {
            "200": {**answered, "headers": {"Location": location}},
            **_refusals(403, 404, 409, 413, 415, 422, 503),
        },
    }


_REFERENCE = {"type": "string", "format": "uri-reference"}


def _deliveries() -> dict[str, dict[str, Any]]:
    one = "The delivery."
    return {
        "/v1/events/{source}": {"post": _take_event()},
        "/v1/deliveries": {
            "get": {
                "operationId": "list_deliveries",
                "summary": "What became of each event, those that came last first",
                "parameters": [
                    _asked("state", {"type": "array", "items": {"type": "string", "enum": list(STATES)}}),
                    _asked("source", {"type": "string"}),
                    _asked("ticket", {"type": "string"}),
                    _asked("limit", {"type": "integer", "minimum": 1, "maximum": MOST_LISTED, "default": LISTED}),
                    _asked("offset", {"type": "integer", "minimum": 0, "maximum": 10**9, "default": 0}),
                ],
                "responses": {"200": _answered(DeliveriesSchema, "Deliveries."), **_refusals(422, 503)},
            }
        },
        "/v1/deliveries/{delivery_id}": {
            "get": {
                "operationId": "given_delivery",
                "summary": "One delivery",
                "parameters": [_DELIVERY_ID],
                "responses": {"200": _answered(DeliverySchema, one), **_refusals(404, 503)},
            }
        },
        "/v1/deliveries/{delivery_id}/retry": {
            "post": {
                "operationId": "retry_delivery",
                "summary": "Begin a delivery anew",
                "parameters": [_DELIVERY_ID],
                "responses": {"200": _answered(DeliverySchema, one), **_refusals(403, 404, 409, 503)},
            }
        },
        "/v1/deliveries/{delivery_id}/cancel": {
            "post": {
                "operationId": "cancel_delivery",
                "summary": "Do nothing more about a delivery",
                "parameters": [_DELIVERY_ID],
                "responses": {"200": _answered(DeliverySchema, one), **_refusals(403, 404, 409, 503)},
            }
        },
    }


def _take_event() -> dict[str, Any]:
    accepted = _answered(AcceptedSchema, "The event is on disk; what follows from it follows whatever happens.")
    accepted["headers"] = {
        "Location": {
            "description": "what becomes of it",
            "schema": {"type": "string", "format": "uri-reference"},
        }
    }
    return {
        "operationId": "take_event",
        "summary": "An event of a ticket system",
        "description": "Headers and body are the ticket system's own; its plugin knows the sender by them, before "
        "anything is read.",
        "parameters": [_SOURCE],
        "requestBody": {"required": True, "content": {"*/*": {"schema": {}}}},
        "responses": {"202": accepted, **_refusals(403, 404, 413, 415, 503)},
    }


def _asked(name: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": False, "schema": schema}
