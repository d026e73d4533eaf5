"""METAR reports against the Manual on Codes, and the two libraries against each other.

"WMO" is WMO No. 306, Manual on Codes, volume I.1, part A, FM 15 METAR, text of August 2001: the regulations named
beside the checks were read there. Reports with real stations are examples of the libraries' own README and tests.
"""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from metar_taf_parser.parser.parser import MetarParser
from repairadvisor_weather.groups import moment_before, moment_near
from repairadvisor_weather.measures import KNOT_MPS
from repairadvisor_weather.metar_report import Observed, observed

AT = datetime(2031, 5, 4, 7, 20, tzinfo=UTC)
_UNITS = {"KT": KNOT_MPS, "MPS": 1.0, "KMH": 1 / 3.6}
_STANDS_OUT = {"KT": 10, "MPS": 5, "KMH": 20}


def read(*groups: str) -> Observed | None:
    return observed(" ".join(("METAR XQSG 040720Z", *groups)), AT)


def told(*groups: str) -> Observed:
    found = read(*groups)
    assert found is not None
    return found


def knots(low: float, high: float) -> tuple[float, float]:
    return pytest.approx((low * KNOT_MPS, high * KNOT_MPS))


#: From the README and test/test_metar.py of ``metar`` 2.0.2 and tests/parser/test_parser.py of
#: ``metar-taf-parser-mivek``: report, mean, gust, unit, degrees, words for what falls, thunder.
PUBLISHED = [
    (
        (
            "METAR KEWR 111851Z VRB03G19KT 2SM R04R/3000VP6000FT TSRA BR FEW015 BKN040CB BKN065 OVC200 22/22 A2987 RMK "
            "AO2 PK WND 29028/1817 WSHFT 1812 TSB05RAB22 SLP114 FRQ LTGICCCCG TS OHD AND NW -N-E MOV NE P0013 T02270215"
        ),
        (3, 19, "KT", 22, {"rain"}, True),
    ),
    (
        "METAR KPIT 091955Z COR 22015G25KT 3/4SM R28L/2600FT TSRA OVC010CB 18/16 A2992 RMK SLP045 T01820159",
        (15, 25, "KT", 18, {"rain"}, True),
    ),
    (
        "METAR LOXZ 141420Z 08006KT 20KM VCSH FEW025SC SCT040SC BKN090AC 21/14 Q1015 BECMG SCT090",
        (6, None, "KT", 21, set(), False),
    ),
    ("METAR FSIA 220100Z AUTO 14014KT 120V180 9999 ///////// 27/23 Q1010", (14, None, "KT", 27, set(), False)),
    ("LFPG 212030Z 03003KT CAVOK 09/06 Q1031 NOSIG", (3, None, "KT", 9, {"none"}, False)),
    ("KTTN 051853Z 04011KT 9999 VCTS SN FZFG BKN003 OVC010 M02/M02 A3006", (11, None, "KT", -2, {"snow"}, True)),
    ("AGGH 140340Z 05010KT 9999 TS FEW020 SCT021CB BKN300 32/26 Q1010", (10, None, "KT", 32, {"none"}, True)),
    ("UNAA 240830Z 34002MPS CAVOK M14/M18 Q1019 NOSIG RMK QFE741", (2, None, "MPS", -14, {"none"}, False)),
    (
        "CYVM 282100Z 36028G36KT 1SM -SN DRSN VCBLSN OVC008 M03/M04 A2935 RMK SN2ST8 LAST STFFD OBS/NXT 291200UTC",
        (28, 36, "KT", -3, {"snow"}, False),
    ),
    (
        "UUDD 212100Z 20005MPS 8000 -FZRA SCT005 M01/M02 Q1010 R14R/590335 NOSIG",
        (5, None, "MPS", -1, {"freezing_rain"}, False),
    ),
    ("LTAE 250250Z VRB02KT 9999 BKN030 BKN080 06/05 Q1005 RESHRA NOSIG", (2, None, "KT", 6, {"none"}, False)),
    (
        "LFBG 081130Z AUTO 23012KT 9999 SCT022 BKN072 BKN090 22/16 Q1011 TEMPO 26015G25KT 3000 TSRA SCT025CB BKN050",
        (12, None, "KT", 22, {"none"}, False),
    ),
    (
        "EKVG 291550Z AUTO 13009KT 9999 BKN037/// BKN048/// 07/06 Q1009 RMK FEW011///",
        (9, None, "KT", 7, {"none"}, False),
    ),
]


@pytest.mark.parametrize(("text", "says"), PUBLISHED)
def test_published_examples(text: str, says: tuple[int, int | None, str, int, set[str], bool]) -> None:
    """What stands in the report, by reading it; what stands in its trend or remarks is not of now."""
    mean, gust, unit, degrees, falling, thunder = says
    found = observed(text, AT)
    assert found is not None
    scale = _UNITS[unit]
    assert found.wind.mean == pytest.approx(((mean - 0.5) * scale, (mean + 0.5) * scale))
    if gust is None:
        assert found.wind.gust == pytest.approx(((mean - 0.5) * scale, (mean + 0.5 + _STANDS_OUT[unit]) * scale))
    else:
        assert found.wind.gust == pytest.approx(((gust - 0.5) * scale, (gust + 0.5) * scale))
    assert found.temperature_c == (degrees - 0.5, degrees + 0.5)
    assert found.falling == falling
    assert found.thunder is thunder
    assert found.dry is (falling == {"none"} and "AUTO" not in text)


@pytest.mark.parametrize(("text", "says"), PUBLISHED)
def test_the_other_library_reads_the_same(text: str, says: tuple[int, int | None, str, int, set[str], bool]) -> None:
    """``metar-taf-parser-mivek`` reads each example alike: wind, gust, unit, temperature, thunder."""
    mean, gust, unit, degrees, _, thunder = says
    other = MetarParser().parse(text.removeprefix("METAR "))
    assert (other.wind.speed, other.wind.gust, other.wind.unit) == (mean, gust, unit)
    assert other.temperature == degrees
    names = [one.descriptive.name for one in other.weather_conditions if one.descriptive is not None]
    assert ("THUNDERSTORM" in names) is thunder


# --- wind ----------------------------------------------------------------------------------------------------


def test_a_gust_that_is_not_told_is_below_ten_knots_over_the_mean() -> None:
    """WMO 15.5.5: told when it exceeds the mean by 10 knots (5 m/s, 20 km/h) or more; both are told in whole units."""
    assert told("24015KT").wind.gust == knots(14.5, 25.5)
    assert told("24010MPS").wind.gust == pytest.approx((9.5, 15.5))
    assert told("240036KMH").wind.gust == pytest.approx((35.5 / 3.6, 56.5 / 3.6))


def test_a_gust_that_is_told() -> None:
    assert told("24015G25KT").wind == told("VRB15G25KT").wind
    assert told("24015G25KT").wind.gust == knots(24.5, 25.5)


def test_calm() -> None:
    """WMO 15.5.4 codes calm as 00000 without a limit; that up to 2 kt may be told as calm is from memory."""
    assert told("00000KT").wind.mean == knots(0, 3)
    assert told("00000KT").wind.gust == knots(0, 13)


def test_a_hundred_knots_or_more() -> None:
    """WMO 15.5.6: P99KT, P49MPS, P199KMH; how much more is open to the end of the fact's range."""
    assert told("240P99KT").wind.mean == pytest.approx((99.5 * KNOT_MPS, 80))
    assert told("240P99KT").wind.gust == pytest.approx((99.5 * KNOT_MPS, 100))
    assert told("24090GP99KT").wind.gust == pytest.approx((99.5 * KNOT_MPS, 100))
    assert told("240P49MPS").wind.mean == (49.5, 80)


@pytest.mark.parametrize("group", ["/////KT", "///////KT", "24015", "24015K", "24015KTS", "24015LT", "24015G10KT"])
def test_a_wind_that_is_not_wholly_there_is_unknown(group: str) -> None:
    """WMO 15.4: solidi for what was not observed. No unit is assumed, where both libraries would assume one."""
    found = read(group, "9999", "10/05")
    assert found is None or (found.wind.mean is None and found.wind.gust is None)


def test_a_gust_in_solidi_is_open_upward() -> None:
    assert told("24015G//KT").wind.gust == pytest.approx((14.5 * KNOT_MPS, 100))


@pytest.mark.parametrize("group", ["SQ", "+FC"])
def test_a_squall_is_open_upward(group: str) -> None:
    """WMO 15.8.19: a squall rises to 22 knots or more, whatever the wind group says."""
    assert told("24015KT", "9999", group).wind.gust == pytest.approx((22 * KNOT_MPS, 100))


def test_the_trend_is_not_of_now() -> None:
    assert told("/////KT 9999 10/05 TEMPO 25035G50KT").wind.mean is None
    assert told("24010KT 9999 10/05 BECMG 25035G50KT").wind.mean == knots(9.5, 10.5)


@given(
    unit=st.sampled_from(sorted(_UNITS)),
    mean=st.floats(3.5, 90, allow_subnormal=False),
    over=st.floats(0, 60, allow_subnormal=False),
)
def test_the_true_wind_lies_between_the_bounds(unit: str, mean: float, over: float) -> None:
    """Whoever codes a true mean and gust by WMO 15.5.5, rounding to whole units, is read back around the truth."""
    if mean + over >= 99:
        over = 99 - mean - 0.6 if mean < 98 else 0.0
    gust = mean + over
    coded = f"240{round(mean):02d}" + (f"G{round(gust):02d}" if over >= _STANDS_OUT[unit] else "") + unit
    found = told(coded, "9999", "10/05")
    scale = _UNITS[unit]
    assert found.wind.mean is not None
    assert found.wind.gust is not None
    assert found.wind.mean[0] - 1e-9 <= mean * scale <= found.wind.mean[1] + 1e-9
    assert found.wind.gust[0] - 1e-9 <= gust * scale <= found.wind.gust[1] + 1e-9


# --- temperature ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("group", "bounds"),
    [("09/07", (8.5, 9.5)), ("M09/M11", (-9.5, -8.5)), ("M00/M01", (-0.5, 0.5)), ("00/M01", (-0.5, 0.5))],
)
def test_temperature(group: str, bounds: tuple[float, float]) -> None:
    """WMO 15.11: whole degrees, halves rounded up; -0.5 °C is M00."""
    assert told("24010KT 9999", group).temperature_c == bounds


@pytest.mark.parametrize("group", ["/////", "XX/05", "MM/MM", "//05", "Q1010"])
def test_no_temperature(group: str) -> None:
    found = read("24010KT 9999", group)
    assert found is None or found.temperature_c is None


# --- weather -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("groups", "words"),
    [
        ("", {"none"}),
        ("-DZ", {"drizzle"}),
        ("+SHRA", {"rain"}),
        ("RA FG", {"rain"}),
        ("SN", {"snow"}),
        ("SG", {"snow"}),
        ("-FZDZ", {"freezing_rain"}),
        ("FZRA", {"freezing_rain"}),
        ("-FZRASN", {"freezing_rain"}),
        ("+SNRA", {"rain", "snow"}),
        ("DZRA", {"drizzle", "rain"}),
        ("GR", {"rain", "snow"}),
        ("SHGS", {"rain", "snow"}),
        ("PL", {"rain", "snow", "freezing_rain"}),
        ("UP", {"drizzle", "rain", "snow", "freezing_rain"}),
        ("FZUP", {"freezing_rain"}),
        ("TS", {"none"}),
        ("FZFG", {"none"}),
        ("BR", {"none"}),
        ("IC", set()),
        ("VCSH", set()),
        ("BLSN", set()),
        ("DRSN", set()),
        ("RA VCSH", {"rain"}),
        ("//", set()),
    ],
)
def test_what_falls(groups: str, words: set[str]) -> None:
    """WMO table 4678 and 15.8; ``UP`` is of the automatic stations of FMH-1. What is only near by or blown about says
    neither that something falls nor that nothing does."""
    assert told("24010KT 9999", groups, "SCT020 05/04 Q1010").falling == words


_PRECIPITATION = ("DZ", "RA", "SN", "SG", "PL", "GR", "GS", "UP")


@pytest.mark.parametrize("sign", ["", "-", "+"])
@pytest.mark.parametrize("descriptor", ["", "SH", "TS", "FZ"])
def test_nothing_that_falls_reads_as_dry(sign: str, descriptor: str) -> None:
    """Every combination of table 4678 in one group: either understood as falling, or the report is set aside."""
    for first, second in itertools.product(_PRECIPITATION, ("", *_PRECIPITATION)):
        group = f"{sign}{descriptor}{first}{second}"
        found = read("24010KT 5000", group, "SCT020 05/04 Q1010")
        assert found is None or (found.falling and "none" not in found.falling), group
        assert found is None or found.thunder is (descriptor == "TS"), group


@pytest.mark.parametrize("group", ["TSRAA", "XX", "RAIN", "R4", "-XYZ", "TSS"])
def test_a_group_that_cannot_be_read_sets_the_report_aside(group: str) -> None:
    """It could be the one that matters. ``metar-taf-parser-mivek`` passes over it: why it does not decode these."""
    assert read("24010KT 9999", group, "SCT020 05/04 Q1010") is None
    assert MetarParser().parse(f"XQSG 040720Z 24010KT 9999 {group} SCT020 05/04 Q1010").weather_conditions == []


@pytest.mark.parametrize(
    ("group", "thunder"), [("TS", True), ("VCTS", True), ("-TSRA", True), ("RETS", False), ("RA", False)]
)
def test_thunder(group: str, thunder: bool) -> None:
    """WMO 15.8.8 and 15.8.10; recent thunder (15.13.2) is not of now."""
    assert told("24010KT 9999 BKN020CB 20/15 Q1010" if group == "RETS" else "24010KT 9999", group).thunder is thunder


@pytest.mark.parametrize(
    ("group", "dust"), [("DU", True), ("BLSA", True), ("+DS", True), ("VCDS", False), ("HZ", False)]
)
def test_dust(group: str, dust: bool) -> None:
    assert told("24010KT 2000", group, "20/01 Q1010").dust is dust


@pytest.mark.parametrize("word", ["NIL", "FINO", "TEST"])
def test_a_report_without_a_report(word: str) -> None:
    assert read(word) is None


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=200))
def test_no_text_breaks_it(text: str) -> None:
    """Whatever stands there: bounds in order, or nothing."""
    for found in (observed(text, AT), observed("METAR XQSG 040720Z " + text, AT)):
        for stretch in (found.wind.mean, found.wind.gust, found.temperature_c) if found is not None else ():
            assert stretch is None or stretch[0] <= stretch[1]


_GROUPS = st.sampled_from(
    (
        *("24015KT", "24015G31KT", "00000MPS", "240P99KT", "/////", "24015G//KT", "9999", "CAVOK", "TSRA", "-RA"),
        *("VCTS", "//", "SQ", "FZDZ", "SCT020", "NSC", "10/05", "M00/M01", "//////", "Q1010", "A2992", "AUTO", "COR"),
        *("RMK", "TEMPO", "RETS", "R04/P2000", "NOSIG", "1/2SM", "WS", "R22", "=", "TSX"),
    )
)


@given(st.lists(_GROUPS, max_size=10))
def test_no_order_of_groups_breaks_it(groups: list[str]) -> None:
    found = observed(" ".join(["XQSG 040720Z", *groups]), AT)
    if found is not None and found.wind.gust is not None:
        assert found.wind.mean is not None
        assert found.wind.mean[0] <= found.wind.gust[1]


_WHOLE = ("24015G31KT", "6000", "TSRA", "SCT020CB", "10/05")
_MISSING = ({"24015G//KT", "/////KT", ""}, {"////", ""}, {"//"}, {"//////", ""}, {"/////", ""})


def test_what_is_missing_is_never_safer() -> None:
    """Any groups of a report in solidi or left out: each fact is unknown or bounded as high as in the whole."""
    whole, read_count = told(*_WHOLE, "Q1010"), 0
    for groups in itertools.product(*[sorted({one, *others}) for one, others in zip(_WHOLE, _MISSING, strict=True)]):
        found = read(*groups, "Q1010")
        if found is None:
            continue
        read_count += 1
        assert found.wind.gust is None or found.wind.gust[1] >= whole.wind.gust[1], groups
        assert found.wind.mean is None or found.wind.mean == whole.wind.mean, groups
        assert "none" not in found.falling, groups
        assert found.temperature_c in (None, whole.temperature_c), groups
    assert read_count > 100


# --- moments -------------------------------------------------------------------------------------------------


def test_the_moment_of_a_report() -> None:
    """Only the day of the month is told (WMO 15.3): the last such day that is not ahead."""
    now = datetime(2031, 3, 1, 0, 10, tzinfo=UTC)
    assert moment_before(28, 23, 50, now) == datetime(2031, 2, 28, 23, 50, tzinfo=UTC)
    assert moment_before(1, 0, 20, now) == datetime(2031, 3, 1, 0, 20, tzinfo=UTC)
    assert moment_before(1, 0, 21, now) == datetime(2031, 2, 1, 0, 21, tzinfo=UTC)
    assert moment_before(31, 0, 0, now) == datetime(2031, 1, 31, 0, 0, tzinfo=UTC)
    assert moment_before(29, 12, 0, now) == datetime(2031, 1, 29, 12, 0, tzinfo=UTC)
    assert moment_before(32, 0, 0, now) is moment_before(0, 0, 0, now) is moment_before(1, 24, 0, now) is None


def test_the_moment_of_a_forecast() -> None:
    """WMO 51.8.1 note 1: midnight at the end is 24."""
    issued = datetime(2031, 12, 31, 17, 0, tzinfo=UTC)
    assert moment_near(31, 18, 0, issued) == datetime(2031, 12, 31, 18, tzinfo=UTC)
    assert moment_near(31, 24, 0, issued) == datetime(2032, 1, 1, tzinfo=UTC)
    assert moment_near(1, 6, 0, issued) == datetime(2032, 1, 1, 6, tzinfo=UTC)
    assert moment_near(31, 24, 30, issued) is None


@given(hours=st.integers(0, 700_000), minutes=st.integers(0, 24 * 60))
def test_a_moment_of_the_last_day_is_found_again(hours: int, minutes: int) -> None:
    now = datetime(2001, 3, 1, tzinfo=UTC) + timedelta(hours=hours)
    at = (now - timedelta(minutes=minutes)).replace(second=0, microsecond=0)
    assert moment_before(at.day, at.hour, at.minute, now) == at
