"""The OpenAPI 3.1 file, made from the schemas and the routes.

``python -m repairadvisor.web.openapi --write`` writes ``openapi/repairadvisor.json``; ``--check`` says whether that
file is up to date (exit status 1 if not).
"""

from __future__ import annotations

import argparse
import functools
import sys
from pathlib import Path
from typing import Any

import orjson
from apispec import APISpec
from apispec.ext.marshmallow import MarshmallowPlugin

from repairadvisor.facts.vocabulary import VOCABULARY_VERSION
from repairadvisor.schemas.advice import AdviceSchema
from repairadvisor.schemas.context import report_schemas
from repairadvisor.schemas.fact_table import FactTableSchema
from repairadvisor.schemas.problem import ProblemSchema
from repairadvisor.schemas.request import AdviceRequestSchema
from repairadvisor.web.problems import KINDS, MEDIA_TYPE

FILE = Path(__file__).parents[2] / "openapi" / "repairadvisor.json"

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

_TEXT = {"text/plain": {"schema": {"type": "string"}}}
_ADVICE_ID = {
    "name": "advice_id",
    "in": "path",
    "required": True,
    "description": "the id under which the advice is kept",
    "schema": {"type": "string", "pattern": "^[0-9a-f]{32}$"},
}


@functools.cache
def document_bytes() -> bytes:
    """The file's content."""
    return orjson.dumps(_document(), option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)


def _document() -> dict[str, Any]:
    spec = APISpec(
        title="Repair advice for optical fibre",
        version=VOCABULARY_VERSION,
        openapi_version="3.1.0",
        plugins=[MarshmallowPlugin(schema_name_resolver=_component_name)],
        info={"description": "Facts of a fibre fault in, advice out. The version is that of the table of facts."},
    )
    for name, schema in report_schemas().items():
        spec.components.schema(name, schema)
    for status, slugs in _slugs_by_status().items():
        spec.components.response(f"problem_{status}", _problem_response(slugs))
    for path, operations in _paths().items():
        spec.path(path, operations=operations)
    made: dict[str, Any] = spec.to_dict()
    return made


def _component_name(schema: Any) -> str:
    kind = schema if isinstance(schema, type) else type(schema)
    return kind.__name__.removesuffix("Schema")


def _slugs_by_status() -> dict[int, list[str]]:
    found: dict[int, list[str]] = {}
    for kind in KINDS.values():
        found.setdefault(kind.status, []).append(kind.slug)
    return found


def _problem_response(slugs: list[str]) -> dict[str, Any]:
    kinds = [KINDS[slug] for slug in slugs]
    return {
        "description": "; ".join(f"{kind.title} ({kind.slug})" for kind in kinds),
        "content": {MEDIA_TYPE: {"schema": ProblemSchema}},
    }


#: What any route may answer besides its own.
_ANYWHERE = (400, 406, 421, 500)


def _refusals(*statuses: int) -> dict[str, Any]:
    return {str(status): f"problem_{status}" for status in (*statuses, *_ANYWHERE)}


def _answered(schema: Any, description: str) -> dict[str, Any]:
    return {"description": description, "content": {"application/json": {"schema": schema}}}


def _paths() -> dict[str, dict[str, Any]]:
    return {
        "/v1/advice": {"post": _give_advice()},
        "/v1/advice/{advice_id}": {
            "get": {
                "operationId": "given_advice",
                "summary": "An advice as it was given, byte for byte",
                "parameters": [_ADVICE_ID],
                "responses": {"200": _answered(AdviceSchema, "The advice."), **_refusals(404, 503)},
            }
        },
        "/v1/facts": {
            "get": {
                "operationId": "facts",
                "summary": "Everything that can be said of a fault",
                "responses": {"200": _answered(FactTableSchema, "The table of facts."), **_refusals()},
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


def _give_advice() -> dict[str, Any]:
    answered = _answered(AdviceSchema, "The advice.")
    answered["content"] |= {**_TEXT, "text/html": {"schema": {"type": "string"}}}
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
        "responses": {"200": answered, **_refusals(403, 413, 415, 422, 503)},
    }


def main(arguments: list[str] | None = None) -> int:
    """Write or check the file; the exit status."""
    parser = argparse.ArgumentParser(prog="python -m repairadvisor.web.openapi", description="The OpenAPI file.")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--write", action="store_true", help=f"write {FILE.parent.name}/{FILE.name}")
    what.add_argument("--check", action="store_true", help="exit with status 1 if the file is old")
    if parser.parse_args(arguments).write:
        FILE.write_bytes(document_bytes())
        return 0
    if FILE.is_file() and FILE.read_bytes() == document_bytes():
        return 0
    sys.stderr.write(f"{FILE.parent.name}/{FILE.name} is old: run python -m repairadvisor.web.openapi --write\n")
    return 1


if __name__ == "__main__":
    sys.exit(main())
