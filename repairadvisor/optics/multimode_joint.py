"""What a joint of two graded-index multimode fibres loses, in the ray picture.

A parabolic fibre accepts the 4-ball r^2/a^2 + (sin theta / NA)^2 <= 1 in position and direction. An offset d
and a tilt theta displace that ball in different coordinates, so they add as squares into one
**displacement** s = sqrt((d/a)^2 + (n theta/NA)^2). The loss depends on s and on how the ball is filled:

* *overfilled*, uniform: a light-emitting diode, the worst case;
* *steady state*: a laser link or a test set of controlled launch, counted after the modes have settled
  again. The truth for a surface-emitting laser lies at or below it.
"""

from __future__ import annotations

import math
from itertools import pairwise

from repairadvisor.optics.constants import DB_PER_NEPER_OF_POWER, GLOGE_STEADY_STATE, STEADY_STATE_AT_JOINT
from repairadvisor.optics.valid_range import in_range


def displacement(
    offset_um: float, tilt_deg: float, core_radius_um: float, numerical_aperture: float, index: float = 1.48
) -> float:
    """The combined displacement s of a joint, a pure number, from offset and tilt in a medium of ``index``.

    Offset 0 to 50 µm, tilt 0 to 10°, core radius 20 to 60 µm, aperture 0.1 to 0.4; errors: OpticsError.
    Source: geometry of the acceptance of a parabolic fibre (derived).
    """
    in_range("offset", offset_um, 0.0, 50.0, "µm")
    in_range("tilt", tilt_deg, 0.0, 10.0, "°")
    _core(core_radius_um, numerical_aperture)
    in_range("index", index, 1.0, 1.7, "1")
    return math.hypot(offset_um / core_radius_um, index * math.radians(tilt_deg) / numerical_aperture)


def overfilled_loss_db(s: float) -> float:
    """Loss in dB at displacement ``s`` (0 to 1.5) under overfilled launch.

    T = (2/pi) [arccos b - b sqrt(1 - b^2) (5 - 2 b^2) / 3], b = s/2; for small s 1 - 8 s / (3 pi).
    Errors: OpticsError. Source: overlap of two 4-balls (derived); its small-s form is a textbook's 0.85 y/a.
    """
    in_range("displacement", s, 0.0, 1.5, "1")
    b = 0.5 * s
    kept = 2.0 / math.pi * (math.acos(b) - b * math.sqrt(1.0 - b * b) * (5.0 - 2.0 * b * b) / 3.0)
    return max(0.0, -10.0 * math.log10(kept))


def steady_state_loss_db(s: float) -> float:
    """Loss in dB at displacement ``s`` (0 to 0.3) in the steady state, the modes settled: T = 1 - 2.35 s^2.

    A small-displacement form: refused beyond 0.3. Errors: OpticsError.
    Source: Gloge, Bell Syst. Tech. J. 55 (1976) 905 (from memory).
    """
    return _quadratic_loss_db(s, GLOGE_STEADY_STATE.value)


def steady_state_loss_at_joint_db(s: float) -> float:
    """The same at the joint itself, before the modes settle: T = 1 - 1.172 s^2, ``s`` 0 to 0.3.

    That the other half is lost while they settle is an inference from Gloge's figure being twice this one.
    Errors: OpticsError. Source: derived for a filling J0(2.405 rho).
    """
    return _quadratic_loss_db(s, STEADY_STATE_AT_JOINT.value)


def overfilled_gap_loss_db(gap_um: float, core_radius_um: float, numerical_aperture: float, index: float) -> float:
    """Loss in dB of a gap under overfilled launch: T = 1 - z NA / (2 n a), reflection not counted.

    First order in the gap: refused where z NA / (n a) passes 0.3. Errors: OpticsError.
    Source: shear of the accepted 4-ball (derived), verified by a phase-space sample.
    """
    in_range("gap", gap_um, 0.0, 200.0, "µm")
    _core(core_radius_um, numerical_aperture)
    in_range("index", index, 1.0, 1.7, "1")
    shear = in_range("z NA / (n a)", gap_um * numerical_aperture / (index * core_radius_um), 0.0, 0.3, "1")
    return -10.0 * math.log10(1.0 - 0.5 * shear)


def core_mismatch_loss_db(core1_radius_um: float, aperture1: float, core2_radius_um: float, aperture2: float) -> float:
    """Loss in dB from fibre 1 into fibre 2 of another core or aperture, overfilled. **Directional.**

    The part of fibre 1's uniform filling that fibre 2 accepts; both smaller gives
    -20 log(a2/a1) - 20 log(NA2/NA1), both larger gives 0. Restricted launch loses less.
    Errors: OpticsError. Source: derived; the two-logarithm form is a textbook's (from memory).
    """
    _core(core1_radius_um, aperture1)
    _core(core2_radius_um, aperture2)
    # Over x = r^2 both acceptances are straight lines NA^2 (1 - x / a^2); integrate the lower of the two.
    top1, top2 = aperture1**2, aperture2**2
    slope1, slope2 = top1 / core1_radius_um**2, top2 / core2_radius_um**2
    end = min(core1_radius_um, core2_radius_um) ** 2
    breaks = [0.0, end]
    if slope1 != slope2:
        crossing = (top1 - top2) / (slope1 - slope2)
        if 0.0 < crossing < end:
            breaks = [0.0, crossing, end]
    kept = 0.0
    for low, high in pairwise(breaks):
        middle = 0.5 * (low + high)
        kept += (high - low) * min(top1 - slope1 * middle, top2 - slope2 * middle)
    share = kept / (0.5 * top1 * core1_radius_um**2)
    return max(0.0, -10.0 * math.log10(share))


def _quadratic_loss_db(s: float, coefficient: float) -> float:
    in_range("displacement", s, 0.0, 0.3, "1")
    return -DB_PER_NEPER_OF_POWER * math.log1p(-coefficient * s * s)


def _core(core_radius_um: float, numerical_aperture: float) -> None:
    in_range("core radius", core_radius_um, 20.0, 60.0, "µm")
    in_range("numerical aperture", numerical_aperture, 0.1, 0.4, "1")
