"""The few units in which a number may be given, converted exactly once, on the way in."""

from __future__ import annotations

#: unit of the table -> accepted spelling -> (factor, offset): value * factor + offset.
CONVERSIONS: dict[str, dict[str, tuple[float, float]]] = {
    "m": {"m": (1.0, 0.0), "ft": (0.3048, 0.0)},
    "°C": {
        "°C": (1.0, 0.0),
        "degC": (1.0, 0.0),
        "°F": (5.0 / 9.0, -160.0 / 9.0),
        "degF": (5.0 / 9.0, -160.0 / 9.0),
    },
    "m/s": {
        "m/s": (1.0, 0.0),
        "km/h": (1.0 / 3.6, 0.0),
        "mph": (0.44704, 0.0),
        "kn": (1852.0 / 3600.0, 0.0),
    },
    "km": {"km": (1.0, 0.0), "mi": (1.609344, 0.0)},
    "µm": {"µm": (1.0, 0.0), "um": (1.0, 0.0)},
}


def accepted_units(unit: str) -> tuple[str, ...]:
    """Every spelling in which a number of this unit may be given; its own unit alone where nothing else."""
    return tuple(CONVERSIONS.get(unit, {unit: (1.0, 0.0)}))


def convert(value: float, given: str, unit: str) -> float | None:
    """``value`` in ``given`` as a number of ``unit``, or None where the two do not go together."""
    table = CONVERSIONS.get(unit, {unit: (1.0, 0.0)})
    if given not in table:
        return None
    factor, offset = table[given]
    # Whole results of the conversion (32 °F) must come out whole, so the one rounding is far below resolution.
    return value if (factor, offset) == (1.0, 0.0) else round(value * factor + offset, 9)
