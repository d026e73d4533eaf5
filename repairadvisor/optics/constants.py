"""Cited constants, each with its unit, its source and how well it is known.

The marks: ``read`` in a public page or file · ``derived`` here from the formula named · ``common practice``
without a source · ``from memory``, to be verified before anybody relies on it · ``calibrated`` so that a
stated figure is met · ``assumed``, a choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Mark = Literal["read", "derived", "common practice", "from memory", "calibrated", "assumed"]


@dataclass(frozen=True, slots=True)
class Constant:
    """One number: ``value`` in ``unit`` ("1" for a pure number), where it came from, how it is known."""

    value: float
    unit: str
    source: str
    mark: Mark


#: Written out, not computed, so that the last bit is the same on every machine.
DB_PER_SQUARED_NEPER_OF_FIELD = 8.685889638065035  # 20 / ln 10
DB_PER_NEPER_OF_POWER = 4.3429448190325175  # 10 / ln 10

LIGHT_SPEED_M_PER_S = Constant(299_792_458.0, "m/s", "definition of the metre (SI)", "read")

FIBRE_INDEX = Constant(1.45, "1", "refractive index of a silica fibre near 1.3 to 1.6 µm, rounded", "common practice")
GEL_INDEX = Constant(1.46, "1", "index of a matching gel as used in gap figures, rounded", "common practice")
MULTIMODE_INDEX = Constant(1.48, "1", "core index of a graded-index multimode fibre, rounded", "common practice")
AIR_INDEX = Constant(1.0, "1", "air, rounded", "common practice")
GEL_MATCHED_INDEX_25C = Constant(
    1.4516, "1", "fundamental mode's core glass at 1.31 µm, silica by Sellmeier", "derived"
)

CLADDING_RADIUS_UM = Constant(62.5, "µm", "ITU-T G.652 and IEC 60793-2: cladding diameter 125 µm", "from memory")

SILICA_THERMO_OPTIC_PER_K = Constant(
    8.5e-6, "1/K", "Rego, Sensors 23 (2023) 6023, abstract: 8.16e-6 to 8.53e-6 at 293 K and 1.55 µm", "read"
)
SILICA_THERMO_OPTIC_LOW_PER_K = Constant(8.16e-6, "1/K", "Rego, Sensors 23 (2023) 6023, abstract", "read")
SILICA_THERMO_OPTIC_HIGH_PER_K = Constant(8.53e-6, "1/K", "Rego, Sensors 23 (2023) 6023, abstract", "read")
GEL_THERMO_OPTIC_PER_K = Constant(-3.5e-4, "1/K", "silicone matching gel; no source could be read", "from memory")
GEL_THERMO_OPTIC_STEEP_PER_K = Constant(-4.5e-4, "1/K", "silicone matching gel; no source could be read", "from memory")
GEL_THERMO_OPTIC_FLAT_PER_K = Constant(-3.0e-4, "1/K", "silicone matching gel; no source could be read", "from memory")

REFERENCE_RADIUS_1310_UM = Constant(
    4.6,
    "µm",
    "half of a mode-field diameter of 9.2 µm, top of the nominal range of ITU-T G.652",
    "from memory",
)
REFERENCE_RADIUS_1550_UM = Constant(
    5.2,
    "µm",
    "half of a mode-field diameter of 10.4 µm, typical of data sheets of ITU-T G.652 fibre",
    "from memory",
)

GLOGE_STEADY_STATE = Constant(
    2.35,
    "1",
    "Gloge, Bell Syst. Tech. J. 55 (1976) 905: steady state, after the modes have settled again",
    "from memory",
)
STEADY_STATE_AT_JOINT = Constant(
    1.172242,
    "1",
    "filling J0(2.405 rho) of a parabolic fibre's phase space, loss at the joint itself",
    "derived",
)

#: Group index N by kind of fibre and wavelength in nm; distance = c t / (2 N).
GROUP_INDEX: dict[tuple[str, int], Constant] = {
    ("G.652", 1310): Constant(1.467, "1", "data sheets of G.657.A1 and G.657.B3 fibre", "read"),
    ("G.652", 1550): Constant(1.468, "1", "data sheets of G.657.A1 and G.657.B3 fibre", "read"),
    ("G.652", 1625): Constant(1.468, "1", "data sheets of G.657.A1 and G.657.B3 fibre", "read"),
    ("G.655", 1550): Constant(1.469, "1", "typical data sheet", "from memory"),
    ("G.654.E", 1550): Constant(1.464, "1", "middle of 1.463 to 1.465; verify in the fibre's sheet", "from memory"),
    ("50 µm", 850): Constant(1.483, "1", "an OM4 data sheet (another: 1.482)", "read"),
    ("50 µm", 1300): Constant(1.478, "1", "an OM4 data sheet (another: 1.477)", "read"),
    ("62.5 µm", 850): Constant(1.496, "1", "typical OM1 data sheet", "from memory"),
    ("62.5 µm", 1300): Constant(1.491, "1", "typical OM1 data sheet", "from memory"),
}
