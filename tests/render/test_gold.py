"""Every renderer's output for a few advices, as it is kept in tests/gold."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from builders import ADVICES, VOICE

from repairadvisor.decision.advice import Advice
from repairadvisor.render import terminal, ticket_note
from repairadvisor.render.voice import Voice

GOLD = Path(__file__).parents[1] / "gold"
RENDERERS: dict[str, Callable[[Advice, Voice], str]] = {"terminal": terminal.render, "ticket_note": ticket_note.render}


@pytest.mark.parametrize("shape", RENDERERS)
@pytest.mark.parametrize("name", ADVICES)
def test_the_output_is_the_one_that_was_looked_at(shape: str, name: str) -> None:
    made = RENDERERS[shape](ADVICES[name], VOICE)
    kept = GOLD / f"{name}.{shape}.txt"
    if os.environ.get("REPAIRADVISOR_RENEW_GOLD") == "1":
        kept.write_text(made, encoding="utf-8")
    assert made == kept.read_text(encoding="utf-8")


def test_no_gold_file_is_left_that_nothing_makes() -> None:
    made = {f"{name}.{shape}.txt" for name in ADVICES for shape in RENDERERS}
    assert {path.name for path in GOLD.glob("*.txt")} == made
