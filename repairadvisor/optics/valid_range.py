"""Refuse a quantity outside the range in which its formula means anything."""

from __future__ import annotations

from repairadvisor.errors import OpticsError


def in_range(quantity: str, value: float, low: float, high: float, unit: str) -> float:
    """``value`` itself, when ``low <= value <= high``.

    :raises OpticsError: otherwise, and for a value that is not a number.
    """
    if not low <= value <= high:
        raise OpticsError(quantity, value, f"{low:g} to {high:g}", unit)
    return value
