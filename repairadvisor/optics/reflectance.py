"""How much light a joint throws back, as power ratio R, return loss (dB, positive) or reflectance (negative).

Plane waves at right angles for surfaces and films; a joint's gap is not controlled to a fraction of a
wavelength, so two surfaces are given by their coherent worst case, and their through-loss by its incoherent
mean. Prepare time (exp and log).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

from repairadvisor.optics.constants import (
    AIR_INDEX,
    FIBRE_INDEX,
    GEL_MATCHED_INDEX_25C,
    GEL_THERMO_OPTIC_FLAT_PER_K,
    GEL_THERMO_OPTIC_PER_K,
    GEL_THERMO_OPTIC_STEEP_PER_K,
    SILICA_THERMO_OPTIC_PER_K,
    Constant,
)
from repairadvisor.optics.joint import joint_loss_db
from repairadvisor.optics.valid_range import in_range

GEL_CAP_DB = Constant(60.0, "dB", "no flat gel joint is credited with more return loss", "assumed")
GEL_EXCESS_INDEX = Constant(0.005, "1", "how far above the fibre a gel's index may lie at 25 °C", "assumed")
LARGEST_COMPUTED_ANGLE_DEG = 4.0  # beyond it the side lobes of the far field rule: take the class value

#: Return loss in dB that a mated pair of a class keeps; never compute the one of an angled face.
RETURN_LOSS_CLASS_DB: dict[str, Constant] = {
    "angled, grade 1": Constant(60.0, "dB", "IEC 61753-1 grade 1, mated", "from memory"),
    "angled, grade 1, unmated": Constant(55.0, "dB", "IEC 61753-1 grade 1, unmated", "from memory"),
    "flat, grade 2": Constant(45.0, "dB", "IEC 61753-1 grade 2, mated", "from memory"),
    "flat, grade 3": Constant(35.0, "dB", "IEC 61753-1 grade 3, mated", "from memory"),
    "flat, grade 4": Constant(26.0, "dB", "IEC 61753-1 grade 4, mated", "from memory"),
    "field connector, flat": Constant(50.0, "dB", "data sheets of field-installable connectors", "read"),
    "field connector, angled": Constant(55.0, "dB", "data sheets of field-installable connectors", "read"),
    "fusion": Constant(60.0, "dB", "fusion splice, at least; ITU-T G.671 asks for 70: verify", "from memory"),
}


def surface_reflectance(n1: float, n2: float) -> float:
    """R = ((n1 - n2)/(n1 + n2))^2 of one surface, a power ratio.

    Indices 1 to 2; errors: OpticsError. Source: Fresnel, normal incidence.
    """
    in_range("index", n1, 1.0, 2.0, "1")
    in_range("index", n2, 1.0, 2.0, "1")
    return ((n1 - n2) / (n1 + n2)) ** 2


def return_loss_db(reflectance: float) -> float:
    """-10 log R in dB of a power ratio from 1e-12 (120 dB) to 1. Errors: OpticsError."""
    in_range("reflected share", reflectance, 1e-12, 1.0, "1")
    return -10.0 * math.log10(reflectance)


def face_loss_db(reflectance: float) -> float:
    """Through-loss in dB of one surface that reflects the share ``reflectance`` (0 to 0.9)."""
    in_range("reflected share", reflectance, 0.0, 0.9, "1")
    return -10.0 * math.log10(1.0 - reflectance)


def film_loss_db(reflectance: float) -> float:
    """Through-loss in dB of two surfaces with a film between: T = (1 - R)/(1 + R), the incoherent mean.

    ``reflectance`` of one surface, 0 to 0.9. Errors: OpticsError. Source: sum over multiple reflections.
    """
    in_range("reflected share", reflectance, 0.0, 0.9, "1")
    return -10.0 * math.log10((1.0 - reflectance) / (1.0 + reflectance))


def film_worst_loss_db(reflectance: float) -> float:
    """The same in the coherent worst case: T = ((1 - R)/(1 + R))^2."""
    return 2.0 * film_loss_db(reflectance)


def film_worst_reflectance(reflectance: float) -> float:
    """Greatest power ratio that a film of two like surfaces reflects: 4 R/(1 + R)^2.

    Errors: OpticsError. Source: coherent sum over multiple reflections (an etalon).
    """
    in_range("reflected share", reflectance, 0.0, 0.9, "1")
    return 4.0 * reflectance / (1.0 + reflectance) ** 2


def air_film_worst_return_loss_db(fibre_index: float = FIBRE_INDEX.value) -> float:
    """Least return loss in dB of a joint that has run dry or holds a bubble: 9.0 dB for silica."""
    return return_loss_db(film_worst_reflectance(surface_reflectance(fibre_index, AIR_INDEX.value)))


@dataclass(frozen=True, slots=True)
class GelReturnLoss:
    """Return loss of a gel joint in dB: of one surface, and of both in the coherent worst case."""

    one_surface_db: float
    worst_db: float


def gel_joint_return_loss(
    temperature_c: float,
    gel_index_25c: float = GEL_MATCHED_INDEX_25C.value,
    gel_per_k: float = GEL_THERMO_OPTIC_PER_K.value,
    fibre_index_25c: float = GEL_MATCHED_INDEX_25C.value,
) -> GelReturnLoss:
    """Return loss of a flat gel joint at -60 to 100 °C; each figure capped at 60 dB (assumed).

    Within about 10 K of the match the formula tends to infinity, hence the cap.
    Errors: OpticsError. Source: Fresnel with linear indices over temperature; gel coefficient from memory.
    """
    in_range("temperature", temperature_c, -60.0, 100.0, "°C")
    in_range("gel index change", gel_per_k, -1e-3, 0.0, "1/K")
    warmer_k = temperature_c - 25.0
    fibre = fibre_index_25c + SILICA_THERMO_OPTIC_PER_K.value * warmer_k
    one = surface_reflectance(fibre, gel_index_25c + gel_per_k * warmer_k)
    return GelReturnLoss(_capped_db(one), _capped_db(film_worst_reflectance(one)))


def gel_joint_return_loss_range_db(coldest_c: float, warmest_c: float) -> tuple[float, float]:
    """Least and greatest coherent-worst-case return loss in dB between two temperatures.

    Over every gel whose index lies 0 to 0.005 above the fibre's at 25 °C and falls by 3e-4 to 4.5e-4 a kelvin.
    The mismatch is linear in each of the three, so its extremes lie in the corners, and it passes through
    zero (where the cap holds) when the corners differ in sign. Errors: OpticsError.
    """
    in_range("warmest temperature", warmest_c, coldest_c, 100.0, "°C")
    losses = []
    signs = set()
    excesses = (0.0, GEL_EXCESS_INDEX.value)
    slopes = (GEL_THERMO_OPTIC_STEEP_PER_K.value, GEL_THERMO_OPTIC_FLAT_PER_K.value)
    for temperature_c, excess, per_k in product((coldest_c, warmest_c), excesses, slopes):
        gel = GEL_MATCHED_INDEX_25C.value + excess
        losses.append(gel_joint_return_loss(temperature_c, gel, per_k).worst_db)
        signs.add(excess + (per_k - SILICA_THERMO_OPTIC_PER_K.value) * (temperature_c - 25.0) > 0.0)
    best = GEL_CAP_DB.value if len(signs) == 2 else max(losses)
    return min(losses), best


def tilted_face_return_loss_db(
    reflectance: float, angle_deg: float, w_um: float, index: float, wavelength_um: float
) -> float:
    """Return loss in dB of an end face at an angle of 0 to 4°: -10 log R + 4.343 (2 pi n w theta/lambda)^2.

    The reflected beam is tilted by twice the angle. 2 dB too good at 4° and 1550 nm, 15 to 34 dB at 8°:
    refused above 4°, where the class value counts. Errors: OpticsError. Source: Gaussian beam (from memory).
    """
    in_range("angle of the end face", angle_deg, 0.0, LARGEST_COMPUTED_ANGLE_DEG, "°")
    # joint_loss_db takes tilts to 3°; the Gaussian loss is exactly quadratic in the tilt.
    quarter = joint_loss_db(w_um, w_um, tilt_deg=0.5 * angle_deg, index=index, wavelength_um=wavelength_um)
    return return_loss_db(reflectance) + 16.0 * quarter


def total_return_loss_db(reflections: Sequence[tuple[float, float]]) -> float:
    """Return loss in dB of several reflections seen from one end, added as powers.

    Each is (reflectance in dB, at most 0; one-way loss in dB before it, 0 to 60) and comes back reduced by
    twice that loss. Errors: OpticsError, also when there is none. Source: incoherent sum of powers.
    """
    in_range("number of reflections", len(reflections), 1, 1000, "1")
    total = 0.0
    for reflectance_db, loss_before_db in reflections:
        in_range("reflectance", reflectance_db, -120.0, 0.0, "dB")
        in_range("loss before a reflection", loss_before_db, 0.0, 60.0, "dB")
        total += 10.0 ** ((reflectance_db - 2.0 * loss_before_db) / 10.0)
    return -10.0 * math.log10(total)


def _capped_db(reflectance: float) -> float:
    floor = 10.0 ** (-GEL_CAP_DB.value / 10.0)
    return GEL_CAP_DB.value if reflectance <= floor else return_loss_db(reflectance)
