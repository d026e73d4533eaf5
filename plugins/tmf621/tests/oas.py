"""Requests and documents held against the OpenAPI file of TMF621 v5.0.1, which is not part of this distribution.

``REPAIRADVISOR_TMF621_OAS`` names the file; unset, it is looked for beside the checkout. Validated by
openapi-schema-validator (OpenAPI 3.0). One construct of the file is beyond that library and is put in other words
first: a ``discriminator`` beside ``allOf`` that maps a name to the very schema it stands in (74 schemas, as ``Note``),
on which the library runs in a circle without end. It becomes ``"@type": {"enum": [the names of the mapping]}``, which
says no less.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml
from openapi_schema_validator import OAS30WriteValidator, oas30_format_checker
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT4

NAMED_BY, REQUIRED_BY = "REPAIRADVISOR_TMF621_OAS", "REPAIRADVISOR_REQUIRE_OAS"
_BESIDE = "*/standards/TMF621-Trouble_Ticket-v5.0.1.oas.yaml"


def oas_file() -> Path | None:
    """The file, or None where there is none."""
    if named := os.environ.get(NAMED_BY):
        return Path(named)
    around = Path(__file__).resolve().parents
    return next(iter(sorted(around[4].glob(_BESIDE))), None) if len(around) > 4 else None


def need_oas() -> None:
    """Skips the test where there is no such file, unless it is required."""
    if oas_file() is not None:
        return
    if os.environ.get(REQUIRED_BY):
        pytest.fail(f"the OpenAPI file of TMF621 is required and not there; set {NAMED_BY}")
    pytest.skip(f"the OpenAPI file of TMF621 is not there; set {NAMED_BY}")


@cache
def document() -> dict[str, Any]:
    """The file as it is."""
    file = oas_file()
    assert file is not None
    loaded: dict[str, Any] = yaml.load(file.read_text(encoding="utf-8"), getattr(yaml, "CSafeLoader", yaml.SafeLoader))
    assert loaded["info"]["version"] == "5.0.1"
    return loaded


@cache
def _registry() -> Registry[Any]:
    whole = document()
    schemas = _without_circles(whole["components"]["schemas"])
    eased = {**whole, "components": {**whole["components"], "schemas": schemas}}
    return Registry().with_resource("urn:tmf621", Resource(contents=eased, specification=DRAFT4))


def _without_circles(part: Any) -> Any:
    if isinstance(part, list):
        return [_without_circles(one) for one in part]
    if not isinstance(part, dict):
        return part
    made = {name: _without_circles(one) for name, one in part.items()}
    if "allOf" in made and isinstance(made.get("discriminator"), dict):
        told = made.pop("discriminator")
        made["properties"] = {**made.get("properties", {}), told["propertyName"]: {"enum": sorted(told["mapping"])}}
    return made


def faults(schema: dict[str, Any] | str, instance: Any) -> list[str]:
    """What is wrong with ``instance`` by a schema of the file, named or as it stands there."""
    whole = {"$ref": f"urn:tmf621#/components/schemas/{schema}"} if isinstance(schema, str) else _absolute(schema)
    validator = OAS30WriteValidator(whole, registry=_registry(), format_checker=oas30_format_checker)
    return [f"{list(error.absolute_path)}: {error.message[:200]}" for error in validator.iter_errors(instance)]


def _absolute(part: Any) -> Any:
    if isinstance(part, dict):
        return {
            name: f"urn:tmf621{one}" if name == "$ref" and str(one).startswith("#") else _absolute(one)
            for name, one in part.items()
        }
    return part


def _resolved(part: dict[str, Any]) -> dict[str, Any]:
    while "$ref" in part:
        found: Any = document()
        for step in part["$ref"].removeprefix("#/").split("/"):
            found = found[step]
        part = found
    return part


def request_faults(
    method: str, path: str, query: dict[str, str], content_type: str, body: Any, also: frozenset[str] = frozenset()
) -> list[str]:
    """What is wrong with a request: path, method, parameters and their types, content type and body.

    ``also``: query parameters that are sent although the file does not declare them.
    """
    template = "/troubleTicket" if path == "/troubleTicket" else "/troubleTicket/{id}"
    if template != path and (not path.startswith("/troubleTicket/") or path.count("/") != 2):
        return [f"{path}: no such path"]
    operation = document()["paths"][template].get(method.lower())
    if operation is None:
        return [f"{method} {template}: no such operation"]
    declared = {one["name"]: one["schema"] for one in map(_resolved, operation["parameters"]) if one["in"] == "query"}
    found = [f"{name}: no such parameter" for name in query if name not in declared and name not in also]
    for name, value in query.items():
        if name in declared:
            typed: Any = int(value) if declared[name]["type"] == "integer" and value.isdecimal() else value
            found += [f"{name}: {fault}" for fault in faults(declared[name], typed)]
    if "requestBody" not in operation:
        return [*found, *([] if body is None else ["a body where none belongs"])]
    contents = _resolved(operation["requestBody"])["content"]
    if content_type not in contents:
        return [*found, f"{content_type}: no such content type; allowed: {', '.join(contents)}"]
    return [*found, *faults(contents[content_type]["schema"], body)]
