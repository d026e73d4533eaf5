"""What a person types becomes the form that a request has."""

from __future__ import annotations

import pytest
from builders import NOW
from hypothesis import given
from hypothesis import strategies as st

from repairadvisor.errors import InputError
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.value import Between, Known, NotApplicable, OneOf, State
from repairadvisor.schemas.typed import typed_fact


@pytest.mark.parametrize(
    ("name", "text", "state"),
    [
        ("place", "pole_top", Known("pole_top")),
        ("place", " pole_top|aerial_span ", OneOf(("pole_top", "aerial_span"))),
        ("place", "aerial_span | pole_top", OneOf(("pole_top", "aerial_span"))),
        ("may_climb", "yes", Known("yes")),
        ("spare_near_m", "3", Known(3.0)),
        ("spare_near_m", "3m", Known(3.0)),
        ("spare_near_m", "+3.5e0 m", Known(3.5)),
        ("spare_near_m", ".5", Known(0.5)),
        ("spare_near_m", "0.5..3", Between(0.5, 3.0)),
        ("spare_near_m", "0.5..3m", Between(0.5, 3.0)),
        ("spare_near_m", "1...5e1", Between(1.0, 5.0)),
        ("air_temperature_c", "-4", Known(-4.0)),
        ("air_temperature_c", "-10..-4", Between(-10.0, -4.0)),
        ("air_temperature_c", "32 °F", Known(0.0)),
        ("wind_gust_mps", "18km/h", Known(5.0)),
        ("humidity_pct", "60%RH", Known(60.0)),
        ("depth_m", "n/a", NotApplicable()),
        ("last_thunder_at", "2031-05-04T07:00:00Z", Known(30.0)),
        ("deadline_at", "2031-05-04T08:00:00Z..2031-05-04T09:00:00+00:00", Between(30.0, 90.0)),
    ],
)
def test_right_text_gives_the_fact_it_says(name: str, text: str, state: State) -> None:
    assert (
        parse_context({name: typed_fact(name, text)}, NOW).state(
            name.replace("last_thunder_at", "since_thunder_min").replace("deadline_at", "deadline_min")
        )
        == state
    )


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("spare_near_m", ""),
        ("spare_near_m", "three"),
        ("spare_near_m", "0,5"),
        ("spare_near_m", "1_0"),
        ("spare_near_m", "٣"),
        ("spare_near_m", "nan"),
        ("spare_near_m", "inf"),
        ("spare_near_m", "1e999"),
        ("spare_near_m", "0x10"),
        ("spare_near_m", "3..0.5"),
        ("spare_near_m", "3.."),
        ("spare_near_m", "3 furlongs"),
        ("spare_near_m", "3|4"),
        ("place", "pole_top|"),
        ("place", "|"),
        ("place", "pole top"),
        ("gas_test_at", "07:00"),
        ("gas_test_at", "2031-05-04"),
        ("no_such_fact", "3"),
    ],
)
def test_wrong_text_is_refused_and_never_guessed(name: str, text: str) -> None:
    with pytest.raises(InputError) as refused:
        parse_context({name: typed_fact(name, text)}, NOW)
    assert refused.value.faults[0].field.startswith(name)


@given(st.floats(0, 500), st.sampled_from(["", "m", " m"]))
def test_a_number_that_is_printed_is_read_back_exactly(value: float, unit: str) -> None:
    context = parse_context({"spare_near_m": typed_fact("spare_near_m", f"{value!r}{unit}")}, NOW)
    assert context.state("spare_near_m") == Known(value)
