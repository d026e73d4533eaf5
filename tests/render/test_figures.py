"""Numbers as a person reads them."""

from __future__ import annotations

import pytest
from builders import VOICE
from hypothesis import given
from hypothesis import strategies as st

from repairadvisor.render import figures


@pytest.mark.parametrize(
    ("value", "text"), [(3.0, "3"), (2.5, "2.5"), (0.07, "0.07"), (0.125, "0.13"), (-0.001, "0"), (100.0, "100")]
)
def test_a_number_shows_no_decimals_that_say_nothing(value: float, text: str) -> None:
    assert figures.number(VOICE, value) == text


@pytest.mark.parametrize(
    ("value", "text"), [(0.0, "0.00 dB"), (0.045, "0.05 dB"), (-1.2, "-1.20 dB"), (-0.004, "0.00 dB")]
)
def test_losses_show_hundredths(value: float, text: str) -> None:
    assert figures.loss(VOICE, value) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0 min"),
        (35.4, "35 min"),
        (59.6, "1 h"),
        (60.0, "1 h"),
        (95.0, "1 h 35 min"),
        (2879.0, "47 h 59 min"),
        (2880.0, "2 d"),
        (3050.0, "2 d 3 h"),
        (4319.0, "3 d"),
    ],
)
def test_minutes_grow_into_hours_and_days(value: float, text: str) -> None:
    assert figures.minutes(VOICE, value) == text


@given(st.floats(0, 1e6))
def test_minutes_never_err_by_more_than_half_their_smallest_part(value: float) -> None:
    sizes = {"min": 1, "h": 60, "d": 1440}
    parts = figures.minutes(VOICE, value).split()
    said = sum(int(count) * sizes[unit] for count, unit in zip(parts[::2], parts[1::2], strict=True))
    assert abs(said - value) <= (0.5 if value < 2879.5 else 30)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1.0, "100 %"),
        (0.9999, "over 99.9 %"),
        (0.998, "99.8 %"),
        (0.97, "97 %"),
        (0.004, "0.4 %"),
        (0.0003, "under 0.1 %"),
        (0.0, "0 %"),
    ],
)
def test_only_what_is_certain_is_called_so(value: float, text: str) -> None:
    assert figures.chance(VOICE, value) == text


@given(st.floats(0, 1, exclude_min=True, exclude_max=True))
def test_no_chance_short_of_certainty_reads_as_certainty(value: float) -> None:
    assert figures.chance(VOICE, value) not in ("100 %", "100.0 %", "0 %", "0.0 %")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("2031-05-04T07:30:00+00:00", "4 May 2031 07:30 UTC"),
        ("2031-05-04T07:30:00Z", "4 May 2031 07:30 UTC"),
        ("2031-12-14T07:05:59.5+02:00", "14 Dec 2031 07:05 UTC+02:00"),
        ("2031-05-04T07:30:00+05:30:15", "4 May 2031 07:30 UTC+05:30:15"),
        ("2031-05-04T07:30:00-00:00:30", "4 May 2031 07:30 UTC-00:00:30"),
        ("when the wind drops", "when the wind drops"),
        ("2031-05-04T07:30:00", "2031-05-04T07:30:00"),
    ],
)
def test_a_moment_names_its_zone_and_other_text_stays(text: str, shown: str) -> None:
    assert figures.moment(VOICE, text) == shown


@pytest.mark.parametrize(("value", "text"), [(412.4, "412 cu"), (9.96, "10 cu"), (4.5, "4.5 cu"), (-38.2, "-38 cu")])
def test_money_is_whole_from_ten_upwards(value: float, text: str) -> None:
    assert figures.money(VOICE, value, "cu") == text


def test_quantities_and_words() -> None:
    assert figures.quantity(VOICE, 12.5, "m") == "12.5 m"
    assert figures.quantity(VOICE, 3.0, "") == "3"
    assert figures.quantity(VOICE, 1.0, "pieces") == "1 piece"
    assert figures.quantity(VOICE, 2.0, "pieces") == "2 pieces"
    assert figures.quantity(VOICE, 1.0, "m") == "1 m"
    assert figures.words("pole_top") == "pole top"
