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
from repairadvisor.schemas.context import report_schemas
from repairadvisor.schemas.problem import ProblemSchema
from repairadvisor.web.operations import paths
from repairadvisor.web.problems import KINDS, MEDIA_TYPE

FILE = Path(__file__).parents[2] / "openapi" / "repairadvisor.json"


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
    for path, operations in paths().items():
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
