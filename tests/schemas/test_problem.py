"""A problem in its one shape."""

from __future__ import annotations

from repairadvisor.errors import Fault
from repairadvisor.schemas.problem import ProblemSchema, problem


def test_a_problem_holds_its_faults_whole() -> None:
    fault = Fault("out-of-range", "margin_db", "99", "is out of range", "-10 to 40", "dB")
    made = problem("input", "The facts cannot be used", 422, "One fault.", (fault,), ("Stand clear.",))
    assert made == {
        "type": "/problems/input",
        "title": "The facts cannot be used",
        "status": 422,
        "detail": "One fault.",
        "faults": [
            {
                "slug": "out-of-range",
                "field": "margin_db",
                "value": "99",
                "problem": "is out of range",
                "allowed": "-10 to 40",
                "unit": "dB",
            }
        ],
        "cautions": ["Stand clear."],
    }
    assert ProblemSchema().validate(made) == {}


def test_what_was_sent_is_repeated_short_and_printable() -> None:
    made = problem("input", "", 422, "", (Fault("unknown-field", "x" * 5000, "a\x1b[31mb" * 99, "no such fact"),))
    (fault,) = made["faults"]
    assert len(fault["field"]) == len(fault["value"]) == 80
    assert fault["field"].isprintable()
    assert fault["value"].isprintable()
