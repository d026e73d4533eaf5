"""Quantities in sentences, in feet and degrees Fahrenheit, and with another sign before decimals.

The foot is 0.3048 m and the mile 1609.344 m exactly (international agreement of 1959, kept by NIST Special Publication
811, appendix B.8; from memory); a degree Celsius is 1.8 degrees Fahrenheit, from 32.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

import pytest
from builders import ADVICES, VOICE, WORDING, a_voice
from hypothesis import given
from hypothesis import strategies as st

from repairadvisor.policy.load import parsed
from repairadvisor.policy.texts import texts_in
from repairadvisor.render import terminal, ticket_note
from repairadvisor.render.prose import prose, unit
from repairadvisor.render.voice import FEET
from repairadvisor.store.policy_files import default_texts

IN_FEET = a_voice(units=FEET)
FIGURES: dict[str, Any] = dict(WORDING["figures"])  # type: ignore[call-overload]
WITH_COMMA = a_voice(wording={**WORDING, "figures": {**FIGURES, "decimal": ","}})
IN_FEET_WITH_COMMA = a_voice(
    wording={**WORDING, "figures": {**FIGURES, "decimal": ",", "to": "a", "and": "y", "between": "entre"}}, units=FEET
)


@pytest.mark.parametrize(
    ("metric", "shown"),
    [
        ("Spare cable: 3 m.", "Spare cable: 9.84 ft."),
        ("0.5 to 3 m lie there", "1.64 to 9.84 ft lie there"),
        ("0.6 to 1.0 m for a small box", "1.97 to 3.28 ft for a small box"),
        ("25 to 50 m at a usual one", "82 to 164 ft at a usual one"),
        ("it lies 300 m off", "it lies 984.3 ft off"),
        ("Within 20 km of a pump", "Within 12.43 mi of a pump"),
        ("up to 30 °C", "up to 86 °F"),
        ("Below -10 °C the machine", "Below 14 °F the machine"),
        ("air stays between -20 and 45 °C. Nothing", "air stays between -4 and 113 °F. Nothing"),
        ("machines, -10 to +50 °C", "machines, 14 to +122 °F"),
        ("at 17.25 °C", "at 63.05 °F"),
        ("gusts of 8 m/s", "gusts of 17.9 mph"),
        ("between 10 and 12.5 m/s", "between 22.37 and 27.96 mph"),
        ("wind 30 km/h", "wind 18.64 mph"),
        ("10\N{EN DASH}15 m of it", "32.8\N{EN DASH}49.2 ft of it"),
        ("10-15 m of it", "32.8-49.2 ft of it"),
        ("1.8m of it", "5.906ft of it"),
        ("0 m", "0 ft"),
        ("in 95 of 100 and 3 m of cable", "in 95 of 100 and 9.84 ft of cable"),
        ("between 2 and 10 m", "between 6.56 and 32.8 ft"),
        ("1 or 2 and 10 m", "1 or 2 and 32.8 ft"),
        ("3 °C above the dew point", "5.4 °F above the dew point"),
        ("3 °C warmer than outside", "5.4 °F warmer than outside"),
        ("stays above 3 °C", "stays above 37.4 °F"),
        ("3 °C or more", "37.4 °F or more"),
        # To the safe side: 10 m/s is 22.369 mph, 3 m is 9.8425 ft, 2 m 6.5617 ft, 13.4 m/s 29.9749 mph.
        ("gusts below 10 m/s", "gusts below 22.36 mph"),
        ("gusts of 10 m/s", "gusts of 22.37 mph"),
        ("gusts of 13.4 m/s or more", "gusts of 29.97 mph or more"),
        ("gusts not above 10 m/s", "gusts not above 22.36 mph"),
        ("at least 3 m", "at least 9.85 ft"),
        ("Under 3 m", "Under 9.84 ft"),
        ("no more than 2 m", "no more than 6.56 ft"),
        ("more than 2 m", "more than 6.57 ft"),
        ("not below 2 m", "not below 6.57 ft"),
        ("not less than 2 m", "not less than 6.57 ft"),
        ("2 m or more", "6.57 ft or more"),
        ("2 m or less", "6.56 ft or less"),
        ("(3 m, seen 4 May 2031 07:10 UTC)", "(9.84 ft, seen 4 May 2031 07:10 UTC)"),
    ],
)
def test_a_quantity_is_put_into_the_operators_unit_where_it_stands(metric: str, shown: str) -> None:
    assert prose(IN_FEET, metric) == shown
    assert prose(VOICE, metric) == metric


@pytest.mark.parametrize(
    "text",
    [
        "Strip about 30 mm of coating",
        "sheath of 900 µm, plugs of 1.25 mm",
        "0.35 dB at 1310 nm",
        "0.25 dB/km over the length",
        "41 min as a rule, 1 h 2 min in 95 of 100",
        "4 May 2031 07:30 UTC",
        "3 months, 5 men, 2 metres",
        "G.652.D, 61300-3-35 m",
        "spare_near_m, LF-3 m",
        "12 m² of canvas",
        "Keep this: 0.5..3",
        "Kept as 066e4d9dba104d439324e22a1b7fbdbd",
    ],
)
def test_what_is_no_length_temperature_or_wind_stays(text: str) -> None:
    assert prose(IN_FEET, text) == text


#: Of a unit: into which, how many times, plus what.
INTO = {
    "m": ("ft", Decimal(1) / Decimal("0.3048"), Decimal(0)),
    "km": ("mi", Decimal(1000) / Decimal("1609.344"), Decimal(0)),
    "m/s": ("mph", Decimal(3600) / Decimal("1609.344"), Decimal(0)),
    "°C": ("°F", Decimal("1.8"), Decimal(32)),
}


@given(
    whole=st.integers(-99_999, 99_999),
    decimals=st.integers(0, 3),
    metric=st.sampled_from(sorted(INTO)),
    voice=st.sampled_from([IN_FEET, IN_FEET_WITH_COMMA]),
)
def test_a_limit_is_the_same_limit_in_the_other_unit(whole: int, decimals: int, metric: str, voice: Any) -> None:
    """Put back and rounded as it was written it is what it was, off by a twentieth of its last place at most, and by
    more than a hundredth only where that is one part in two thousand."""
    value = Decimal(whole).scaleb(-decimals)
    other, times, plus = INTO[metric]
    sign = voice.say("figures", "decimal")
    said = prose(voice, f"up to {value:f} {metric} here".replace(".", sign))
    found = re.fullmatch(rf"up to (-?\d+(?:{re.escape(sign)}\d+)?) {re.escape(other)} here", said)
    assert found is not None, said
    back = (Decimal(found[1].replace(sign, ".")) - plus) / times
    last = Decimal(1).scaleb(-decimals)
    assert back.quantize(last, ROUND_HALF_EVEN) == value
    assert abs(back - value) <= min(last / 20, max(last / 100, abs(value) / 2000))


@pytest.mark.parametrize(
    ("text", "side"),
    [
        ("below {} {}", -1),
        ("Up to {} {}", -1),
        ("not at least {} {}", -1),
        ("{} {} or less", -1),
        ("at least {} {}", 1),
        ("More than {} {}", 1),
        ("not below {} {}", 1),
        ("{} {} or more", 1),
    ],
)
@given(whole=st.integers(-99_999, 99_999), decimals=st.integers(0, 3), metric=st.sampled_from(["m", "km", "m/s", "°C"]))
def test_a_limit_is_rounded_to_the_safe_side_and_by_next_to_nothing(
    text: str, side: int, whole: int, decimals: int, metric: str
) -> None:
    value = Decimal(whole).scaleb(-decimals)
    other, times, plus = INTO[metric]
    found = re.search(rf"(-?\d+(?:\.\d+)?) {re.escape(other)}", prose(IN_FEET, text.format(f"{value:f}", metric)))
    assert found is not None
    off = (Decimal(found[1]) - plus) / times - value
    assert off * (-1 if metric == "m/s" else side) >= -Decimal("1e-20")
    assert abs(off) <= Decimal(1).scaleb(-decimals) / 20


@given(st.integers(-60, 60))
def test_whole_degrees_are_exact(celsius: int) -> None:
    shown = prose(IN_FEET, f"{celsius} °C").removesuffix(" °F")
    assert Decimal(shown) * 5 == Decimal(celsius) * 9 + 160


def test_another_sign_before_decimals_and_no_others() -> None:
    assert prose(WITH_COMMA, "0.35 dB at 1310 nm; 2.5 to 3.5 m. G.652, 0.5..3, 1.2.3") == (
        "0,35 dB at 1310 nm; 2,5 to 3,5 m. G.652, 0.5..3, 1.2.3"
    )
    assert prose(IN_FEET_WITH_COMMA, "de 0.5 a 3 m, entre -20 y 45 °C") == "de 1,64 a 9,84 ft, entre -4 y 113 °F"
    assert prose(IN_FEET_WITH_COMMA, "hasta 0,5 m") == "hasta 1,64 ft"


def test_units_are_named_as_they_are_shown() -> None:
    assert [unit(IN_FEET, one) for one in ("m", "km", "°C", "m/s", "mm", "dB")] == ["ft", "mi", "°F", "mph", "mm", "dB"]
    assert [unit(VOICE, one) for one in ("m", "°C")] == ["m", "°C"]


METRIC = re.compile(r"\d ?(m|km|°C|m/s|km/h)(?![\w/²³])")


def _policy_texts() -> Iterator[str]:
    for name, text in default_texts().items():
        for one in texts_in(name, parsed(name, text)).values():
            yield from [one] if isinstance(one, str) else one


def test_no_text_of_the_policy_keeps_a_metric_quantity() -> None:
    with_quantities = [text for text in _policy_texts() if METRIC.search(text)]
    assert len(with_quantities) > 30
    assert [text for text in with_quantities if METRIC.search(prose(IN_FEET, text))] == []


@pytest.mark.parametrize("name", ADVICES)
def test_pages_and_notes_are_in_feet_and_say_the_same_otherwise(name: str) -> None:
    for render in (terminal.render, ticket_note.render):
        shown, metric = render(ADVICES[name], IN_FEET), render(ADVICES[name], VOICE)
        before_sources = shown.partition("\nSources")[0]
        assert METRIC.search(before_sources) is None
        numbers = re.compile(r"[-\d.,]+ ?(?:m/s|m|ft|°C|°F|mph)?\b")
        assert numbers.sub("", " ".join(shown.split())) == numbers.sub("", " ".join(metric.split()))
