"""What a reflectometer shows at a joint, and what of it is true.

Backscatter that a fibre captures goes with 1/MFD^2, so a joint of unlike fibres shows a step that is not
loss: from large into small a gain, from small into large too much loss. The average of both directions is
true whatever the fibres; one direction cannot police a 0.1 dB limit.
"""

from __future__ import annotations

import math

from repairadvisor.optics.constants import DB_PER_NEPER_OF_POWER, LIGHT_SPEED_M_PER_S, Constant
from repairadvisor.optics.valid_range import in_range

#: Backscatter coefficient for 1 ns in dB, by wavelength in nm.
BACKSCATTER_1NS_DB: dict[int, Constant] = {
    1310: Constant(-79.2, "dB", "a data sheet of G.657.A1 fibre (others give -77)", "read"),
    1550: Constant(-81.7, "dB", "a data sheet of G.657.A1 fibre (others give -82)", "read"),
    1625: Constant(-82.5, "dB", "a data sheet of G.657.A1 fibre", "read"),
}


def step_db(mfd_from_um: float, mfd_into_um: float) -> float:
    """False step in dB seen from one fibre into another: 10 log(MFD_into / MFD_from).

    Diameters 2 to 20 µm; errors: OpticsError. Source: an application note on "gainers"; derived.
    """
    in_range("mode-field diameter", mfd_from_um, 2.0, 20.0, "µm")
    in_range("mode-field diameter", mfd_into_um, 2.0, 20.0, "µm")
    return 10.0 * math.log10(mfd_into_um / mfd_from_um)


def two_way_loss_db(a_to_b_db: float, b_to_a_db: float) -> float:
    """True loss in dB: the average of the readings from both ends (each -5 to 20 dB).

    Errors: OpticsError. Source: as :func:`step_db`. Plus and times only.
    """
    in_range("reading", a_to_b_db, -5.0, 20.0, "dB")
    in_range("reading", b_to_a_db, -5.0, 20.0, "dB")
    return 0.5 * (a_to_b_db + b_to_a_db)


def one_way_loss_db(reading_db: float, mfd_from_um: float, mfd_into_um: float) -> float:
    """A reading from one end less the step that the nominal diameters make. Errors: OpticsError.

    What remains is uncertain by :func:`one_way_sigma_db`.
    """
    in_range("reading", reading_db, -5.0, 20.0, "dB")
    return reading_db - step_db(mfd_from_um, mfd_into_um)


def one_way_sigma_db(tolerance_um: float, mfd_um: float) -> float:
    """Standard deviation in dB of a one-way loss from the diameters' tolerance (read as three sigma).

    4.343 sqrt(2) (tolerance/3)/MFD: 0.089 dB for 9.2 ± 0.4 µm on both sides.
    Errors: OpticsError for a tolerance outside 0 to 2 µm, MFD outside 2 to 20 µm. Source: derived.
    """
    in_range("tolerance of mode-field diameter", tolerance_um, 0.0, 2.0, "µm")
    in_range("mode-field diameter", mfd_um, 2.0, 20.0, "µm")
    return DB_PER_NEPER_OF_POWER * math.sqrt(2.0) * tolerance_um / 3.0 / mfd_um


def event_dead_zone_m(pulse_ns: float, group_index: float) -> float:
    """Least distance in m between two reflective events that a pulse tells apart: c tau/(2 N).

    Pulse 1 to 100,000 ns, N 1.4 to 1.6; errors: OpticsError. After a reflective joint the attenuation dead
    zone is several times that (from memory); joints closer than it read as one: judge their sum.
    """
    in_range("pulse", pulse_ns, 1.0, 100_000.0, "ns")
    in_range("group index", group_index, 1.4, 1.6, "1")
    return LIGHT_SPEED_M_PER_S.value * pulse_ns * 1e-9 / (2.0 * group_index)


def reflectance_db(height_db: float, pulse_ns: float, backscatter_1ns_db: float) -> float:
    """Reflectance in dB of a peak ``height_db`` (0.05 to 40) above the backscatter.

    B_1ns + 10 log[(10^(H/5) - 1) tau]. Errors: OpticsError. Source: reflectometer handbooks (from memory).
    """
    in_range("height of the peak", height_db, 0.05, 40.0, "dB")
    in_range("pulse", pulse_ns, 1.0, 100_000.0, "ns")
    in_range("backscatter coefficient", backscatter_1ns_db, -95.0, -60.0, "dB")
    return backscatter_1ns_db + 10.0 * math.log10((10.0 ** (height_db / 5.0) - 1.0) * pulse_ns)
