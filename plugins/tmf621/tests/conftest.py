"""What the tests share: the counterpart, the examples, and how the plugin is made from settings."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import oas
import pytest
from desk import DeskOverHttp, running
from repairadvisor_tmf621 import Tmf621Carrier, Tmf621Source

from repairadvisor.plugin import RawEvent

EXAMPLES = Path(__file__).parents[1] / "examples"
REFERENCE = "LF-4471"
TOKEN = "listener-token-0123456789abcdef0123"
KEY = "listener-key-0123456789abcdef012345"


def example(name: str) -> Any:
    """An example event as JSON."""
    return json.loads((EXAMPLES / f"{name}.json").read_text(encoding="utf-8"))


def raw(content: Any, **headers: str) -> RawEvent:
    """An event with this content."""
    return RawEvent(headers, content if isinstance(content, bytes) else json.dumps(content).encode())


def source_of(**settings: Any) -> Any:
    """A source as the operator's settings make it."""
    if not settings.keys() & {"accepted_tokens", "signature_secrets", "poll_every_s"}:
        settings["accepted_tokens"] = [TOKEN]
    return Tmf621Source(**Tmf621Source.settings().load(settings))


def carrier_of(desk: DeskOverHttp, **settings: Any) -> Tmf621Carrier:
    """A carrier as the operator's settings make it."""
    return Tmf621Carrier(**Tmf621Carrier.settings().load({"url": desk.url, "timeout_s": 5, **settings}))


#: How many requests were held against the OpenAPI file, by method.
validated: dict[str, int] = {}


@pytest.fixture
def desk() -> Iterator[DeskOverHttp]:
    """A ticket system with one ticket. Whatever it was sent is held against the OpenAPI file, where there is one."""
    with running(DeskOverHttp()) as made:
        made.open(REFERENCE)
        yield made
    if oas.oas_file() is None:
        return
    for one in made.sent:
        validated[one.method] = validated.get(one.method, 0) + 1
        kind = one.headers.get("content-type", "")
        wrong = oas.request_faults(one.method, one.path, one.query, kind, one.body, made.undeclared)
        assert wrong == [], f"{one.method} {one.path} {one.query}"
