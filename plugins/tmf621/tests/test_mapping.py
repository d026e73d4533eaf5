"""Facts by the operator's expressions: what is said, what is left out, and what is refused by name."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from conftest import example, raw, source_of
from hypothesis import given
from hypothesis import strategies as st

from repairadvisor.plugin import FACT_NAMES
from repairadvisor.testing import parse_context

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
SOURCE = "ticket T-1"


def facts(mapping: dict[str, str], ticket: dict[str, Any], **settings: Any) -> Any:
    whole = {"id": "T-1", "lastUpdate": "2031-05-04T07:05:00Z", **ticket}
    return source_of(mapping=mapping, **settings).read(raw(whole)).facts


@pytest.mark.parametrize(
    ("found", "report"),
    [
        ("pole_top", {"value": "pole_top", "source": SOURCE}),
        ("", None),
        ("  ", None),
        (None, None),
        ([], None),
        ([None, ""], None),
        ({"value": None}, None),
        ({"value": None, "unit": "m"}, None),
        ({"value": "chamber", "seen_at": None}, {"value": "chamber", "source": SOURCE}),
        (
            {"one_of": ["chamber", "pole_top"], "source": "caller"},
            {"one_of": ["chamber", "pole_top"], "source": "caller"},
        ),
        (
            ["pole_top", {"value": "chamber", "source": "caller"}],
            [{"value": "pole_top", "source": SOURCE}, {"value": "chamber", "source": "caller"}],
        ),
    ],
)
def test_what_is_found_becomes_a_report_or_nothing(found: object, report: object) -> None:
    told = facts({"place": "here"}, {"here": found})
    assert told == ({} if report is None else {"place": report})
    parse_context(told, NOW)


@pytest.mark.parametrize(
    "found",
    [
        "at the pole, I think",
        "Pole_Top",
        "pole_top ",
        "n/a",  # which may as well mean "not available"
        "pole_top|chamber",
        5,
        -0.5,
        True,
        {"x": 1},
        {"value": ["pole_top"]},
        {"value": {"value": "pole_top"}},
        {"value": "pole_top", "guess": 1},
        {"value": "pole_top", "one_of": ["pole_top"]},
        {"between": [None, 3]},
        [["pole_top"]],
        ["pole_top"] * 21,
        "<b>pole_top</b>",
        "{{ 7 * 7 }}",
    ],
)
def test_what_is_no_fact_is_handed_on_as_it_is_and_refused_by_name(found: object) -> None:
    """By the core's own checks, with the name of the fact; never bent into something that would pass."""
    told = facts({"place": "here", "fibres_down_count": "count"}, {"here": found, "count": 4})
    with pytest.raises(Exception, match="place"):
        parse_context(told, NOW)


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-9, 9)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(("value", "unit", "x")), inner, max_size=3)
    ),
    max_leaves=6,
)


@given(JSON)
def test_nothing_that_is_no_word_ever_becomes_one(found: object) -> None:
    """Whatever a ticket holds where a word is expected: the fact is unknown, or refused by name."""
    told = facts({"place": "here"}, {"here": found})
    if "place" not in told:
        return
    with pytest.raises(Exception, match="place"):
        parse_context(told, NOW)


def test_a_word_is_translated_and_one_that_is_not_in_the_table_stays() -> None:
    words = {"place": {"POLE": "pole_top", "7": "chamber", "true": "dug_pit"}}
    for found, word in (("POLE", "pole_top"), (7, "chamber"), (True, "dug_pit"), ("pole", "pole"), ("wall_box",) * 2):
        assert facts({"place": "here"}, {"here": found}, words=words)["place"]["value"] == word
        whole = facts({"place": "here"}, {"here": {"value": found, "source": "x"}}, words=words)
        assert whole["place"] == {"value": word, "source": "x"}
        listed = facts({"place": "here"}, {"here": [found]}, words=words)
        assert listed["place"] == [{"value": word, "source": SOURCE}]


def test_a_text_is_read_as_typed_only_where_the_operator_says_so() -> None:
    mapping = {"spare_near_m": "spare"}
    assert facts(mapping, {"spare": "25 m"})["spare_near_m"] == {"value": "25 m", "source": SOURCE}
    typed = facts(mapping, {"spare": "25 m"}, typed_facts=["spare_near_m"])
    assert typed["spare_near_m"] == {"value": 25.0, "unit": "m", "source": SOURCE}
    nonsense = facts(mapping, {"spare": "plenty"}, typed_facts=["spare_near_m"])
    assert nonsense["spare_near_m"] == {"value": "plenty", "source": SOURCE}
    number = facts(mapping, {"spare": 25}, typed_facts=["spare_near_m"])
    assert number["spare_near_m"] == {"value": 25, "source": SOURCE}
    # An object says its unit itself; a second one in its text would be one too many, and is refused.
    whole = facts(mapping, {"spare": {"value": "25 m", "unit": "ft"}}, typed_facts=["spare_near_m"])
    with pytest.raises(Exception, match="spare_near_m"):
        parse_context(whole, NOW)


def test_a_whole_report_can_be_made_by_an_expression() -> None:
    """With the time of the sight, which is never made up from lastUpdate: a note of ours moves that."""
    mapping = {"wind_mean_mps": "{value: wind.speed, unit: 'm/s', source: 'mast', seen_at: wind.at}"}
    told = facts(mapping, {"wind": {"speed": 4.5, "at": "2031-05-04T07:20:00Z"}})
    assert told["wind_mean_mps"] == {"value": 4.5, "unit": "m/s", "source": "mast", "seen_at": "2031-05-04T07:20:00Z"}
    parse_context(told, NOW)
    assert facts(mapping, {"wind": {"at": "2031-05-04T07:20:00Z"}}) == {}
    plain = facts({"wind_mean_mps": "wind"}, {"wind": 4.5})
    assert "seen_at" not in plain["wind_mean_mps"]


@pytest.mark.parametrize(
    "expression", ["length(gone)", "sort(mixed)", "max_by(mixed, &x)", "to_number(name)", "a.b.c[0]"]
)
def test_an_expression_that_finds_nothing_to_work_on_says_nothing(expression: str) -> None:
    assert facts({"place": expression}, {"mixed": [1, "a", None], "name": "n"}) == {}


@pytest.mark.parametrize(
    ("name", "expression"),
    [
        ("place", "a["),
        ("place", ""),
        ("place", "a ? b"),
        ("place", "nosuch(a)"),
        ("place", "a | [?length(b) > `3` && nosuch(c)]"),
        ("place", "length(a, b)"),
        ("place", "join(a)"),
        ("place", "{value: nosuch(a)}"),
        ("place", "map(&nosuch(@), a)"),
    ],
)
def test_a_wrong_expression_is_refused_at_start_by_the_name_of_its_fact(name: str, expression: str) -> None:
    with pytest.raises(ValueError, match=rf"^mapping\.{name} = ") as refused:
        source_of(mapping={name: expression})
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "expression", ["merge(a, b, c)", "merge(a)", "not_null(a, b)", "map(&length(@), a)", "type(@)"]
)
def test_a_right_expression_is_not(expression: str) -> None:
    """With functions of the specification that take one argument or many."""
    assert source_of(mapping={"place": expression})


@pytest.mark.parametrize("table", ["mapping", "words", "typed_facts"])
def test_a_name_that_is_no_fact_is_refused_with_the_nearest(table: str) -> None:
    settings: dict[str, Any] = {"mapping": {"place": "a"}}
    settings |= {
        "mapping": {"mapping": {"plaze": "a"}},
        "words": {"words": {"plaze": {"a": "b"}}},
        "typed_facts": {"typed_facts": ["plaze"]},
    }[table]
    with pytest.raises(ValueError, match=rf"^{table}\.plaze: no such fact; did you mean place\?"):
        source_of(**settings)


def test_words_for_a_fact_that_no_expression_finds_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^words\.place: stands in no mapping"):
        source_of(mapping={"fault_seen": "a"}, words={"place": {"A": "pole_top"}})


def test_a_number_that_is_too_large_to_be_one_is_refused_by_name() -> None:
    """JSON allows 1e999; in memory it is infinite."""
    body = b'{"id": "T-1", "lastUpdate": "2031-05-04T07:05:00Z", "margin": 1e999}'
    told = source_of(mapping={"margin_db": "margin"}).read(raw(body)).facts
    with pytest.raises(Exception, match="margin_db"):
        parse_context(told, NOW)


def test_every_fact_and_moment_of_the_table_can_be_mapped() -> None:
    assert source_of(mapping=dict.fromkeys(FACT_NAMES, "a"))


def test_free_text_is_read_where_the_operator_points_at_it_and_only_then() -> None:
    ticket = {"description": "pole_top", "name": "chamber", "note": [{"text": "dug_pit"}]}
    assert facts({}, ticket) == {}
    assert facts({"place": "description"}, ticket) == {"place": {"value": "pole_top", "source": SOURCE}}


def test_html_is_text_like_any_other() -> None:
    told = facts({"place": "here"}, {"here": "<script>alert(1)</script>"})
    assert told["place"]["value"] == "<script>alert(1)</script>"


def test_a_long_reference_stands_in_no_source() -> None:
    """A source has up to 200 characters; it is not cut."""
    told = facts({"place": "here"}, {"id": "T" * 200, "here": "pole_top"})
    assert told["place"] == {"value": "pole_top", "source": "ticket"}
    parse_context(told, NOW)


@pytest.mark.parametrize(
    ("latitude", "longitude", "there"),
    [
        (51.2, -2.6, (51.2, -2.6)),
        ("51.20", "-2.60", (51.2, -2.6)),
        (-90, 180, (-90.0, 180.0)),
        (0, 5, (0.0, 5.0)),
        (0, 0, None),
        (91, 0, None),
        (51.2, 181, None),
        (51.2, None, None),
        ("51,2", "2", None),
        ("51.2 N", "2", None),
        ("nan", "2", None),
        ("1e1", "2", None),
        (True, 2, None),
        ([51.2], 2, None),
        (10**400, 2, None),
    ],
)
def test_a_site_is_two_numbers_within_the_earth(latitude: Any, longitude: Any, there: Any) -> None:
    source = source_of(latitude_deg="at.lat", longitude_deg="at.lon")
    ticket = {"id": "T-1", "lastUpdate": "2031-05-04T07:05:00Z", "at": {"lat": latitude, "lon": longitude}}
    site = source.read(raw(ticket)).site
    assert (None if site is None else (site.latitude_deg, site.longitude_deg)) == there
    assert source_of().read(raw(ticket)).site is None


def test_half_a_site_is_refused_at_start() -> None:
    with pytest.raises(ValueError, match=r"^latitude_deg and longitude_deg: go together"):
        source_of(latitude_deg="a")


def test_the_example_ticket_gives_facts_that_can_be_used() -> None:
    mapping = {"fibres_down_count": "troubleTicketCharacteristic[?name=='fibresDown'].value | [0]"}
    told = source_of(mapping=mapping).read(raw(example("create"))).facts
    assert parse_context(told, NOW)
    assert told == {"fibres_down_count": {"value": 24, "source": "ticket LF-4471"}}
