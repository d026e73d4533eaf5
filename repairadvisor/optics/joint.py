"""What a joint of two single-mode fibres loses, from the geometry of the joint.

Each fibre's light is taken as a Gaussian beam of its mode-field radius w (half of the data sheet's
mode-field diameter). Against the exact LP01 mode of a step-index fibre that behaves as G.652 this is

* offset: within 0.4 % up to 1 µm, 1 % high at 2 µm, 6 % high at 5 µm, the most that is taken;
* tilt: 4 % low at 1310 nm and 8 % low at 1550 nm (0.004 and 0.007 dB at 0.5°);
* gap: 14 % low at 50 µm and 27 % low at 10 µm at 1310 nm, 36 % low at 10 µm at 1550 nm, because the
  true mode has tails. In dB that is 0.01 at 10 µm; where a gap dominates, multiply its loss by 1.5.

A real fibre (trench, diffused dopant) differs from the step-index one by as much.
A loss here is through-loss in dB, positive; reflection at the faces of a gap is left to ``reflectance``.
"""

from __future__ import annotations

import math

from repairadvisor.optics.constants import CLADDING_RADIUS_UM
from repairadvisor.optics.valid_range import in_range


def mode_mismatch_loss_db(w1_um: float, w2_um: float) -> float:
    """Loss in dB of a perfect joint of two mode-field radii; the same in both directions.

    T = (2 w1 w2 / (w1^2 + w2^2))^2. Radii 1 to 10 µm; errors: OpticsError.
    Source: Marcuse, Bell Syst. Tech. J. 56 (1977) 703.
    """
    return joint_loss_db(w1_um, w2_um)


def offset_loss_db(offset_um: float, w1_um: float, w2_um: float) -> float:
    """Loss in dB of a lateral offset, mismatch included; -5 to 5 µm. Equal fibres: 4.343 d^2 / w^2.

    Errors: OpticsError. Source: Marcuse, Bell Syst. Tech. J. 56 (1977) 703.
    """
    return joint_loss_db(w1_um, w2_um, offset_um=offset_um)


def tilt_loss_db(tilt_deg: float, w1_um: float, w2_um: float, index: float, wavelength_um: float) -> float:
    """Loss in dB of an angle between the fibre axes in a medium of ``index``, mismatch included; -3 to 3°.

    Equal fibres: 4.343 (pi n w theta / lambda)^2. Errors: OpticsError.
    Source: Marcuse, Bell Syst. Tech. J. 56 (1977) 703.
    """
    return joint_loss_db(w1_um, w2_um, tilt_deg=tilt_deg, index=index, wavelength_um=wavelength_um)


def gap_loss_db(gap_um: float, w1_um: float, w2_um: float, index: float, wavelength_um: float) -> float:
    """Loss in dB of a gap filled with a medium of ``index``, mismatch included, reflection not; 0 to 100 µm.

    Equal fibres: T = 1 / (1 + Z^2), Z = lambda z / (2 pi n w^2). Errors: OpticsError.
    Source: Marcuse, Bell Syst. Tech. J. 56 (1977) 703; Gaussian beam optics.
    """
    return joint_loss_db(w1_um, w2_um, gap_um=gap_um, index=index, wavelength_um=wavelength_um)


def joint_loss_db(
    w1_um: float,
    w2_um: float,
    *,
    offset_um: float = 0.0,
    tilt_deg: float = 0.0,
    gap_um: float = 0.0,
    index: float = 1.45,
    wavelength_um: float = 1.31,
) -> float:
    """Loss in dB of mismatch, offset, tilt and gap together.

    Offset and tilt lie in one plane. Fibre 2 is displaced to +offset and its axis points to +tilt, away
    from fibre 1, so that equal signs help each other across a gap; where the directions are random the
    cross term averages to zero. ``index`` is that of the medium between the ends (1 to 1.7),
    ``wavelength_um`` 1.2 to 1.7. Errors: OpticsError outside the ranges named here and above.

    Source: Joyce and DeLoach, Appl. Opt. 23 (1984) 4187; form from memory, verified against a brute-force
    overlap of Gaussian beams to 1e-6.
    """
    in_range("mode-field radius", w1_um, 1.0, 10.0, "µm")
    in_range("mode-field radius", w2_um, 1.0, 10.0, "µm")
    in_range("offset", offset_um, -5.0, 5.0, "µm")
    in_range("tilt", tilt_deg, -3.0, 3.0, "°")
    in_range("gap", gap_um, 0.0, 100.0, "µm")
    in_range("index", index, 1.0, 1.7, "1")
    in_range("wavelength", wavelength_um, 1.2, 1.7, "µm")
    tilt_rad = math.radians(tilt_deg)
    in_medium_um = wavelength_um / index
    w1_squared, w2_squared = w1_um * w1_um, w2_um * w2_um
    spread = in_medium_um * gap_um / math.pi
    at_gap_squared = w1_squared * (1.0 + (spread / w1_squared) ** 2)
    whole = (w1_squared + w2_squared) ** 2 + spread * spread
    # ln kappa = -log1p(missing): written so that a perfect joint loses exactly nothing and none gains.
    missing = ((w1_squared - w2_squared) ** 2 + spread * spread) / (4.0 * w1_squared * w2_squared)
    kappa = 4.0 * w1_squared * w2_squared / whole
    phase = math.pi * tilt_rad / in_medium_um
    exponent = (
        0.5 * offset_um * offset_um * (1.0 / w1_squared + 1.0 / w2_squared)
        + 0.5 * phase * phase * (at_gap_squared + w2_squared)
        - offset_um * tilt_rad * gap_um / w1_squared
    )
    return 10.0 / math.log(10.0) * (math.log1p(missing) + kappa * max(exponent, 0.0))


def cleave_gap_um(cleave1_deg: float, cleave2_deg: float) -> float:
    """Gap in µm at the core when two cleaves of these angles (0 to 10°) touch at their rims, worst azimuth.

    In gel or air the axes stay parallel, so a cleave angle costs a gap, not a tilt; in fusion it turns into
    core bend and offset instead. Errors: OpticsError. Source: geometry (derived).
    """
    in_range("cleave angle", cleave1_deg, 0.0, 10.0, "°")
    in_range("cleave angle", cleave2_deg, 0.0, 10.0, "°")
    slopes = math.tan(math.radians(cleave1_deg)) + math.tan(math.radians(cleave2_deg))
    return CLADDING_RADIUS_UM.value * slopes


def cleave_deflection_deg(cleave_deg: float, fibre_index: float, medium_index: float) -> float:
    """Angle in degrees by which one cleaved face of ``cleave_deg`` (0 to 10°) turns the beam.

    (n_fibre / n - 1) times the cleave angle: strong in air, nil in a matched gel, negative in a denser one.
    Errors: OpticsError. Source: Snell's law for small angles (derived).
    """
    in_range("cleave angle", cleave_deg, 0.0, 10.0, "°")
    in_range("fibre index", fibre_index, 1.3, 1.7, "1")
    in_range("index", medium_index, 1.0, 1.7, "1")
    return (fibre_index / medium_index - 1.0) * cleave_deg
