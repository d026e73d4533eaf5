"""From time to fibre and from fibre to sheath: where along a cable an event lies.

State with a location: group index ± 0.001 (0.7 m/km) and overlength ± 0.3 % of the distance from the last
known mark (3 m/km; assumed), so a walk back from a known closure beats a count from the office. A sheath mark
wins over the computed metre whenever there is one.
"""

from __future__ import annotations

import math

from repairadvisor.optics.constants import LIGHT_SPEED_M_PER_S
from repairadvisor.optics.valid_range import in_range


def fibre_length_m(round_trip_us: float, group_index: float) -> float:
    """Length of fibre in m for a round trip in µs (0 to 10,000): c t/(2 N), N 1.4 to 1.6. Errors: OpticsError."""
    in_range("round trip", round_trip_us, 0.0, 10_000.0, "µs")
    in_range("group index", group_index, 1.4, 1.6, "1")
    return LIGHT_SPEED_M_PER_S.value * round_trip_us * 1e-6 / (2.0 * group_index)


def length_at_index_m(length_m: float, index_set: float, index_true: float) -> float:
    """A length read with the group index ``index_set``, corrected to ``index_true``. Errors: OpticsError."""
    in_range("length", length_m, 0.0, 1e6, "m")
    in_range("group index", index_set, 1.4, 1.6, "1")
    in_range("group index", index_true, 1.4, 1.6, "1")
    return length_m * index_set / index_true


def helix_factor(diameter_mm: float, lay_mm: float) -> float:
    """1 + h: fibre over sheath length of a full helix, sqrt(1 + (pi D/P)^2); S-Z stranding has less.

    Diameter 0 to 50 mm, lay 10 to 2,000 mm. Errors: OpticsError. Source: geometry.
    """
    in_range("diameter of the helix", diameter_mm, 0.0, 50.0, "mm")
    in_range("lay", lay_mm, 10.0, 2000.0, "mm")
    return math.sqrt(1.0 + (math.pi * diameter_mm / lay_mm) ** 2)


def sheath_length_m(fibre_m: float, overlength: float) -> float:
    """Sheath in m for ``fibre_m`` of fibre: fibre/(1 + h), with the overlength h from 0 to 0.1.

    By division, never fibre (1 - h): the two differ by h^2 of the distance. Errors: OpticsError.
    """
    in_range("length", fibre_m, 0.0, 1e6, "m")
    in_range("overlength", overlength, 0.0, 0.1, "1")
    return fibre_m / (1.0 + overlength)
