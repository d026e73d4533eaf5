"""From how well joints are made to what they lose on average: standard deviations to means in dB.

Offset (two axes) and tilt (two axes) are normal about zero; the loss each causes is then exponential with
the means given here. Prepare time only (pi and log).
"""

from __future__ import annotations

import math

from repairadvisor.optics.constants import (
    DB_PER_NEPER_OF_POWER,
    DB_PER_SQUARED_NEPER_OF_FIELD,
    GLOGE_STEADY_STATE,
    REFERENCE_RADIUS_1310_UM,
)
from repairadvisor.optics.valid_range import in_range

#: 20.412 dB: mean loss of a two-dimensional displacement of unit standard deviation in the steady state.
_MULTIMODE_DB = 2.0 * GLOGE_STEADY_STATE.value * DB_PER_NEPER_OF_POWER


def mean_offset_loss_db(sigma_um: float, w_um: float) -> float:
    """8.686 (sigma/w)^2: mean loss in dB of offsets of ``sigma_um`` an axis, single-mode radius ``w_um``.

    Errors: OpticsError for sigma outside 0 to 3 µm, w outside 1 to 10 µm.
    Source: chi-squared of two degrees of freedom, with Marcuse, Bell Syst. Tech. J. 56 (1977) 703.
    """
    in_range("standard deviation of offset", sigma_um, 0.0, 3.0, "µm")
    in_range("mode-field radius", w_um, 1.0, 10.0, "µm")
    return DB_PER_SQUARED_NEPER_OF_FIELD * (sigma_um / w_um) ** 2


def mean_tilt_loss_db(sigma_deg: float, index: float, w_um: float, wavelength_um: float) -> float:
    """8.686 (pi n w sigma/lambda)^2: mean loss in dB of tilts of ``sigma_deg`` an axis, single-mode.

    Errors: OpticsError for sigma outside 0 to 2°, index outside 1 to 1.7, w outside 1 to 10 µm,
    wavelength outside 1.2 to 1.7 µm. Source as :func:`mean_offset_loss_db`.
    """
    in_range("standard deviation of tilt", sigma_deg, 0.0, 2.0, "°")
    in_range("index", index, 1.0, 1.7, "1")
    in_range("mode-field radius", w_um, 1.0, 10.0, "µm")
    in_range("wavelength", wavelength_um, 1.2, 1.7, "µm")
    phase = math.pi * index * w_um * math.radians(sigma_deg) / wavelength_um
    return DB_PER_SQUARED_NEPER_OF_FIELD * phase**2


def mean_eccentric_offset_loss_db(fixed_um: float, sigma_um: float, w_um: float) -> float:
    """4.343 (2 sigma^2 + e^2)/w^2: the mean in dB with a fixed offset ``fixed_um`` (0 to 5 µm) as well.

    Errors: OpticsError. Source: non-central chi-squared of two degrees of freedom (derived).
    """
    in_range("fixed offset", fixed_um, 0.0, 5.0, "µm")
    return mean_offset_loss_db(sigma_um, w_um) + DB_PER_NEPER_OF_POWER * (fixed_um / w_um) ** 2


def mean_radius_tolerance_loss_db(sigma_w_um: float, w_um: float) -> float:
    """8.686 (sigma_w/w)^2: mean loss in dB of the tolerance of both fibres' radii; belongs into L0.

    Errors: OpticsError for sigma_w outside 0 to 1 µm. Source: ln(w1/w2) normal, mismatch formula (derived).
    """
    in_range("standard deviation of mode-field radius", sigma_w_um, 0.0, 1.0, "µm")
    return mean_offset_loss_db(sigma_w_um, w_um)


def offset_sigma_from_eccentricity_um(limit_99_um: float, groove_um: float = 0.0) -> float:
    """Standard deviation an axis in µm of two fibres' core offset, from the limit that 99 % of cores keep.

    The limit (0 to 3 µm) of one fibre's core eccentricity is read as the 99 % point of a Rayleigh
    distribution; two fibres and a groove of ``groove_um`` (0 to 2) add in squares. Errors: OpticsError.
    Source: derived; the reading of the limit as P99 is assumed.
    """
    in_range("eccentricity limit", limit_99_um, 0.0, 3.0, "µm")
    in_range("standard deviation of groove", groove_um, 0.0, 2.0, "µm")
    one = limit_99_um / math.sqrt(2.0 * math.log(100.0))
    return math.sqrt(2.0 * one * one + groove_um * groove_um)


def mean_pair_loss_db(limit_97_db: float) -> float:
    """Mean in dB at 1310 nm (single-mode) or for 50 µm core of a mated pair that keeps its 97 % limit.

    limit / ln(1/0.03): an exponential, offset of ferrules only. Errors: OpticsError for a limit outside 0.01
    to 3 dB. Source: grades of IEC 61753-1 (from memory); the form is calibrated.
    """
    in_range("97 % limit of a mated pair", limit_97_db, 0.01, 3.0, "dB")
    return limit_97_db / math.log(1.0 / 0.03)


def mean_pair_loss_at_radius_db(limit_97_db: float, w_um: float) -> float:
    """:func:`mean_pair_loss_db` carried to a mode-field radius: times (4.6/w)^2, being offset loss."""
    in_range("mode-field radius", w_um, 1.0, 10.0, "µm")
    return mean_pair_loss_db(limit_97_db) * (REFERENCE_RADIUS_1310_UM.value / w_um) ** 2


def mean_multimode_pair_loss_db(limit_97_db: float, core_radius_um: float) -> float:
    """:func:`mean_pair_loss_db`, stated for 50 µm core, carried to another core: times (25/a)^2."""
    in_range("core radius", core_radius_um, 20.0, 60.0, "µm")
    return mean_pair_loss_db(limit_97_db) * (25.0 / core_radius_um) ** 2


def mean_multimode_offset_loss_db(sigma_um: float, core_radius_um: float) -> float:
    """20.412 (sigma/a)^2: mean loss in dB of offsets of ``sigma_um`` an axis, multimode, steady state.

    Errors: OpticsError for sigma outside 0 to 10 µm, core radius outside 20 to 60 µm.
    Source: Gloge, Bell Syst. Tech. J. 55 (1976) 905 (from memory), linearised.
    """
    in_range("standard deviation of offset", sigma_um, 0.0, 10.0, "µm")
    in_range("core radius", core_radius_um, 20.0, 60.0, "µm")
    return _MULTIMODE_DB * (sigma_um / core_radius_um) ** 2


def mean_multimode_tilt_loss_db(sigma_deg: float, index: float, numerical_aperture: float) -> float:
    """20.412 (n sigma/NA)^2: mean loss in dB of tilts of ``sigma_deg`` an axis, multimode, steady state.

    Errors: OpticsError for sigma outside 0 to 3°, index outside 1 to 1.7, aperture outside 0.1 to 0.4.
    Source as :func:`mean_multimode_offset_loss_db`.
    """
    in_range("standard deviation of tilt", sigma_deg, 0.0, 3.0, "°")
    in_range("index", index, 1.0, 1.7, "1")
    in_range("numerical aperture", numerical_aperture, 0.1, 0.4, "1")
    return _MULTIMODE_DB * (index * math.radians(sigma_deg) / numerical_aperture) ** 2
