"""TAF against FM 51 of WMO No. 306, volume I.1, part A (text of August 2001; read there, regulations named).

The forecasts with real stations are examples of ``metar-taf-parser-mivek``'s own tests.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_weather.measures import KNOT_MPS
from repairadvisor_weather.taf_report import gusts

ISSUED = datetime(2031, 5, 4, 5, 0, tzinfo=UTC)
DAY = datetime(2031, 5, 4, tzinfo=UTC)
HEAD = "TAF XQSG 040500Z 0406/0512"


def between(
    text: str, first_h: float, last_h: float, issued: datetime = ISSUED, day: datetime = DAY
) -> list[float] | None:
    """The gusts from one hour to another, counted from midnight, in knots."""
    found = gusts(text, issued, day + timedelta(hours=first_h), day + timedelta(hours=last_h))
    return None if found is None else [round(one / KNOT_MPS, 6) for one in found]


def test_a_gust_that_is_not_told_stays_below_ten_knots_over_the_mean() -> None:
    """51.3.4, as in METAR; half a knot about each number."""
    assert between(f"{HEAD} 24015KT 9999 SCT020", 8, 12) == [14.5, 25.5]
    assert between(f"{HEAD} 24015G25KT 9999 SCT020", 8, 12) == [24.5, 25.5]


def test_from() -> None:
    """51.8.2: all that was forecast before is superseded."""
    text = f"{HEAD} 24030G45KT 9999 TEMPO 0406/0412 25040G55KT FM041200 25008KT 9999"
    assert between(text, 8, 10) == [44.5, 55.5]
    assert between(text, 13, 16) == [7.5, 18.5]
    assert between(text, 10, 16) == [7.5, 55.5]


def test_becoming() -> None:
    """51.8.3: at an unspecified time within the period, both winds may blow; then the new one prevails."""
    text = f"{HEAD} 24030G45KT 9999 BECMG 0410/0412 25008KT"
    assert between(text, 7, 9) == [44.5, 45.5]
    assert between(text, 9, 11) == between(text, 11, 11.5) == [7.5, 45.5]
    assert between(text, 12.5, 16) == [7.5, 18.5]


@pytest.mark.parametrize("change", ["TEMPO", "PROB30", "PROB40 TEMPO"])
def test_what_passes_counts_while_it_may_come(change: str) -> None:
    """51.8.4 and 51.9: the wind before stands beside it and stays after it."""
    text = f"{HEAD} 24010KT 9999 {change} 0410/0412 25025G38KT"
    assert between(text, 7, 9) == between(text, 13, 16) == [9.5, 20.5]
    assert between(text, 9, 11) == between(text, 11.5, 16) == [9.5, 38.5]


@pytest.mark.parametrize("storm", ["TS", "-TSRA", "VCTS", "SQ", "+FC"])
def test_a_storm_leaves_the_gusts_open(storm: str) -> None:
    """A thunderstorm or squall brings gusts that no wind group bounds. BECMG need not end it (51.8.3), FM does."""
    passing = f"{HEAD} 24010KT 9999 TEMPO 0410/0412 3000 {storm} SCT020CB"
    assert between(passing, 7, 9) == [9.5, 20.5]
    assert between(passing, 9, 11) is None
    lasting = f"{HEAD} 24010KT 9999 {storm} BECMG 0410/0412 25008KT"
    assert between(lasting, 13, 16) is None
    assert between(f"{lasting} FM041600 26005KT 9999", 17, 20) == [4.5, 15.5]


@pytest.mark.parametrize(
    "text",
    [
        f"{HEAD} 24015 9999",
        f"{HEAD} 24015KMH 9999",
        f"{HEAD} 24015KTS 9999",
        f"{HEAD} 240P99KT 9999",
        f"{HEAD} 24015G//KT 9999",
        f"{HEAD} /////KT 9999",
        f"{HEAD} 9999 SCT020",
        f"{HEAD} 24015KT 24025KT 9999",
        f"{HEAD} 24015KT 9999 BECMG 1012 25030KT",
        f"{HEAD} 24015KT 9999 FM1200 25030KT",
        f"{HEAD} 24015KT 9999 TEMPO 25030KT",
        f"{HEAD} 24015KT 9999 TEMPO 0410/0412 25030",
        f"{HEAD} 24015KT 9999 TEMPO 0410/0412 25030KMH",
        f"{HEAD} 24015KT 9999 FM041000 CAVOK",
        "TAF XQSG 040500Z NIL",
        f"{HEAD} CNL",
        "TAF AMD XQSG 040500Z 0406/0512 CNL",
        "TAF XQSG 040500Z 040612 24015KT 9999",
        "TAF XQSG 040500Z 0426/0512 24015KT 9999",
        f"{HEAD} 24015KT 9999 TSRAA",
        f"{HEAD} 24015KT 9999 XTS",
        f"{HEAD} 24015KT 9999 FM061000 25030KT 9999",
    ],
)
def test_what_is_not_wholly_understood_says_nothing(text: str) -> None:
    assert between(text, 9, 12) is None


def test_the_stretch_has_to_be_covered() -> None:
    text = f"{HEAD} 24015KT 9999 SCT020"
    assert between(text, 6, 36) == [14.5, 25.5]
    assert between(text, 5.9, 12) is None
    assert between(text, 30, 36.1) is None


def test_wind_shear_and_temperatures_are_no_winds() -> None:
    assert between(f"{HEAD} 24015KT 9999 WS020/24050KT SCT020 TX15/0414Z TNM02/0504Z", 9, 12) == [14.5, 25.5]


def test_published_examples() -> None:
    """By reading them: test_parse_with_invalid_line_breaks and test_parse_without_line_breaks there."""
    text = (
        "TAF LFPG 150500Z 1506/1612 17005KT 6000 SCT012 TEMPO 1506/1509 3000 BR BKN006 PROB40 TEMPO 1506/1508 0400 "
        "BCFG BKN002 PROB40 TEMPO 1512/1516 4000 -SHRA FEW030TCU BKN040 BECMG 1520/1522 CAVOK TEMPO 1603/1608 3000 BR "
        "BKN006 PROB40 TEMPO 1604/1607 0400 BCFG BKN002 TX17/1512Z TN07/1605Z"
    )
    issued, day = datetime(2031, 5, 15, 5, tzinfo=UTC), datetime(2031, 5, 15, tzinfo=UTC)
    assert between(text, 8, 34, issued, day) == [4.5, 15.5]
    text = (
        "TAF LSZH 292025Z 2921/3103 VRB03KT 9999 FEW020 BKN080 TX20/3014Z TN06/3003Z PROB30 TEMPO 2921/2923 SHRA BECMG "
        "3001/3004 4000 MIFG NSC PROB40 3003/3007 1500 BCFG SCT004 PROB30 3004/3007 0800 FG VV003 BECMG 3006/3009 9999 "
        "FEW030 PROB40 TEMPO 3012/3017 30008KT"
    )
    issued, day = datetime(2031, 5, 29, 20, 25, tzinfo=UTC), datetime(2031, 5, 30, tzinfo=UTC)
    assert between(text, 0, 11, issued, day) == [2.5, 13.5]
    assert between(text, 11, 14, issued, day) == [2.5, 18.5]


_PARTS = st.lists(
    st.sampled_from(
        (
            *(
                "24015KT",
                "24015G31KT",
                "05005MPS",
                "9999",
                "TSRA",
                "-RA",
                "SCT020",
                "BECMG",
                "TEMPO",
                "PROB40",
                "INTER",
            ),
            *(
                "FM041200",
                "0410/0412",
                "0412/0418",
                "04",
                "CAVOK",
                "NSW",
                "RMK",
                "WS020/24050KT",
                "TX15/0414Z",
                "=",
                "//",
            ),
        )
    ),
    max_size=14,
)


@given(_PARTS)
def test_no_order_of_groups_breaks_it(parts: list[str]) -> None:
    found = between(" ".join((HEAD, *parts)), 9, 12)
    assert found is None or 0 <= found[0] <= found[1] <= 195


@given(_PARTS)
def test_a_change_more_never_narrows_what_stays(parts: list[str]) -> None:
    """A wind that may pass is one more possibility: it never makes the forecast say less than without it."""
    before = between(" ".join((HEAD, "24015KT", *parts)), 9, 11)
    after = between(" ".join((HEAD, "24015KT", *parts, "TEMPO 0410/0412 26020G40KT")), 9, 11)
    if before is not None and after is not None and "RMK" not in parts:
        assert after[0] <= before[0]
        assert after[1] >= max(before[1], 40.5)


@given(st.text(max_size=150))
def test_no_text_breaks_it(text: str) -> None:
    for one in (text, HEAD + " 24015KT " + text):
        found = gusts(one, ISSUED, ISSUED + timedelta(hours=2), ISSUED + timedelta(hours=4))
        assert found is None or found[0] <= found[1]
