"""The table of facts as published."""

from __future__ import annotations

from repairadvisor.facts.vocabulary import FACTS, FIRST_ASKED
from repairadvisor.schemas.fact_table import FactTableSchema, fact_table


def test_the_published_table_holds_every_fact_and_fits_its_schema() -> None:
    table = fact_table()
    assert [fact["name"] for fact in table["facts"]] == [fact.name for fact in FACTS]
    assert table["first_asked"] == list(FIRST_ASKED)
    assert FactTableSchema().validate(table) == {}


def test_a_number_shows_range_and_units_and_a_fact_in_words_its_words() -> None:
    by_name = {fact["name"]: fact for fact in fact_table()["facts"]}
    gust = by_name["wind_gust_mps"]
    assert (gust["low"], gust["high"], gust["unit"]) == (0, 100, "m/s")
    assert gust["accepted_units"] == ["m/s", "km/h", "mph", "kn"]
    assert gust["words"] == []
    tested = by_name["gas_test"]
    assert tested["words"] == ["none", "clear", "alarm"]
    assert (tested["low"], tested["high"], tested["accepted_units"]) == (None, None, [])
    assert tested["applies"] == {"place": ["chamber", "footway_chamber"]}
    assert by_name["gas_test_age_min"]["as_time"] == "gas_test_at"
