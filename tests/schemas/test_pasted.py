"""Facts typed or pasted a line each. What a line means is held against what the same text means typed alone."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from repairadvisor.facts.vocabulary import BY_NAME, FACTS, TIME_NAMES
from repairadvisor.methods import default_policy
from repairadvisor.schemas.pasted import LONGEST_TEXT, LONGEST_VALUE, Spoken, as_line, facts_in
from repairadvisor.schemas.typed import typed_fact

WORDING: Mapping[str, object] = default_policy().wording
PLAIN, SHIPPED = Spoken.of({}), Spoken.of(WORDING)


@pytest.mark.parametrize("spoken", [PLAIN, SHIPPED], ids=["in our words", "in the policy's"])
def test_every_line_we_write_is_read_the_same(spoken: Spoken) -> None:
    """Round trip over the whole table: every word of every fact, and numbers in the forms there are."""
    told = {}
    for fact in FACTS:
        values = [*fact.words, "|".join(fact.words[:2]), "n/a"] if fact.words else ["3", "-0.5", "0.5..3", "n/a"]
        for value in values:
            line = as_line(fact.name, value, spoken)
            found, faults = facts_in(line, spoken)
            assert faults == []
            named = {fact.name: typed_fact(fact.name, value)}
            if spoken is SHIPPED or fact.name in found:
                assert {name: typed_fact(name, text) for name, text in found.items()} == named, line
            told[fact.name] = value
    text = "\n".join(as_line(name, value, SHIPPED) for name, value in told.items())
    assert facts_in(text, SHIPPED) == (told, [])


def test_names_that_take_a_moment_are_read() -> None:
    for name in TIME_NAMES:
        line = as_line(name, "2031-05-04T07:00:00Z", SHIPPED)
        assert facts_in(line, SHIPPED) == ({name: "2031-05-04T07:00:00Z"}, [])


@pytest.mark.parametrize(
    ("line", "name", "value"),
    [
        ("place = pole_top", "place", "pole_top"),
        ("Place of the Break: Pole Top", "place", "pole_top"),
        ("place=pole top | span between poles", "place", "pole_top|aerial_span"),
        ("spare near m: 3 m", "spare_near_m", "3"),
        ("spare_near_m = 3 metres", "spare_near_m", "3"),
        ("spare cable on the exchange side = 0.5 to 3 m", "spare_near_m", "0.5..3"),
        ("spare_near_m = 10 ft", "spare_near_m", "10 ft"),
        ("wind gust mps = 20 km/h", "wind_gust_mps", "20 km/h"),
        ("air_temperature_c = -5 °C", "air_temperature_c", "-5"),
        ("humidity pct: 60 %RH", "humidity_pct", "60"),
        ("fibres down count = 1 fibre", "fibres_down_count", "1"),
        ("gas_test_at: 2031-05-04T07:30:00Z", "gas_test_at", "2031-05-04T07:30:00Z"),
    ],
)
def test_a_name_and_a_value_may_be_said_as_people_say_them(line: str, name: str, value: str) -> None:
    assert facts_in(line, SHIPPED) == ({name: value}, [])


def test_what_is_no_ones_stays_what_it_is() -> None:
    """A wrong name or word is not guessed at here: it is refused where facts are judged."""
    assert facts_in("colour = blue; place = the moon", SHIPPED) == ({"colour": "blue", "place": "the moon"}, [])


def test_lines_end_as_lines_do_and_notes_are_left_out() -> None:
    text = "# said on the phone\r\nplace = pole_top\r\n\r\nmargin_db = 4; fault_seen = cut\n"
    assert facts_in(text, SHIPPED) == ({"place": "pole_top", "margin_db": "4", "fault_seen": "cut"}, [])


@pytest.mark.parametrize("text", ["place", "= pole_top", "place =", "just words"])
def test_what_is_no_line_is_said(text: str) -> None:
    found, (fault,) = facts_in(f"margin_db = 4\n{text}", SHIPPED)
    assert found == {"margin_db": "4"}
    assert (fault.slug, fault.field, fault.value) == ("no-line", "told", text)


def test_a_name_that_stands_twice_is_refused_unless_it_says_the_same() -> None:
    assert facts_in("place = pole top\nplace = pole_top", SHIPPED) == ({"place": "pole_top"}, [])
    _, faults = facts_in("place = pole top\nplace = chamber", SHIPPED)
    assert [fault.slug for fault in faults] == ["name-twice"]


def test_what_is_too_long_is_refused() -> None:
    assert facts_in("x" * (LONGEST_TEXT + 1), SHIPPED)[1][0].slug == "too-long"
    long = "x" * (LONGEST_VALUE + 1)
    found, faults = facts_in(f"place = {long}\n{long} = 1\nmargin_db = 4", SHIPPED)
    assert found == {"margin_db": "4"}
    assert [fault.slug for fault in faults] == ["too-long", "unknown-fact"]
    assert max(len(fault.sentence()) for fault in faults) < 300


def test_all_that_can_be_told_fits() -> None:
    longest = {fact.name: max(fact.words, key=len) if fact.words else "99999..99999" for fact in FACTS}
    assert len("\n".join(as_line(name, value, SHIPPED) for name, value in longest.items())) < LONGEST_TEXT


def test_the_policy_names_every_fact_and_every_word_but_once() -> None:
    """Else a name could be read as another fact's."""
    assert set(SHIPPED.names) == set(BY_NAME)
    assert len({said.casefold() for said in SHIPPED.names.values()}) == len(BY_NAME)
    for name, said in SHIPPED.words.items():
        assert len({word.casefold() for word in said.values()}) == len(BY_NAME[name].words), name
