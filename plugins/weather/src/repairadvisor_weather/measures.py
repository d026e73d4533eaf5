"""The units that are understood, in the symbols of UCUM (The Unified Code for Units of Measure) and a few plain ones.

A unit that does not stand here is not understood: a number in it says nothing.
"""

from __future__ import annotations

#: A knot is one nautical mile an hour, 1852 m in 3600 s (SI Brochure, table of other non-SI units).
KNOT_MPS = 1852 / 3600

#: Unit of a speed -> m/s.
SPEEDS_MPS = {
    "m/s": 1.0,
    "m.s-1": 1.0,
    "km/h": 1 / 3.6,
    "km.h-1": 1 / 3.6,
    "[kn_i]": KNOT_MPS,
    "kn": KNOT_MPS,
    "[mi_i]/h": 0.44704,
}
#: Unit of a temperature -> factor and offset to °C.
TEMPERATURES_C = {
    "Cel": (1.0, 0.0),
    "°C": (1.0, 0.0),
    "K": (1.0, -273.15),
    "[degF]": (5 / 9, -160 / 9),
}
#: Units of what falls in a time. Only whether anything falls is read from such a number, so there is no factor; an
#: amount without a time (``mm``) may have fallen hours ago and is not among them.
RATES = frozenset({"mm/h", "mm.h-1", "mm/s", "mm.s-1", "m/s", "m.s-1", "kg/m2/s", "kg.m-2.s-1", "kg/(m2.s)"})


def speed_mps(number: float, unit: str) -> float | None:
    """A speed in m/s, or None for a unit that is not known."""
    factor = SPEEDS_MPS.get(unit)
    return None if factor is None else round(number * factor, 9)


def temperature_c(number: float, unit: str) -> float | None:
    """A temperature in °C, or None for a unit that is not known."""
    known = TEMPERATURES_C.get(unit)
    return None if known is None else round(number * known[0] + known[1], 9)
