"""Compare a number with a printed one: equal to the last printed digit."""

from __future__ import annotations


def assert_printed(value: float, figure: str) -> None:
    """``value`` rounds to ``figure``, give or take half of its last digit (and a hair for ties)."""
    decimals = len(figure.partition(".")[2])
    assert abs(value - float(figure)) <= 0.51 * 10.0**-decimals, f"{value!r} is not {figure}"
