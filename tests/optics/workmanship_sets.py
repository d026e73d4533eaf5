"""Calibrated sets of workmanship with which the published quantiles were made. Data of the tests only.

Single-mode: standard deviations of offset (µm an axis) and tilt (° an axis), fixed loss (dB), 97 % limit
of a mated pair (dB) or none; radius 4.6 µm at 1310 nm, 5.2 µm at 1550 nm, index 1.45.
"""

from __future__ import annotations

from repairadvisor.optics.distribution import LossModel
from repairadvisor.optics.workmanship import (
    mean_multimode_offset_loss_db,
    mean_multimode_pair_loss_db,
    mean_multimode_tilt_loss_db,
    mean_offset_loss_db,
    mean_pair_loss_at_radius_db,
    mean_tilt_loss_db,
)

SINGLE_MODE = {
    "core-aligned fusion": (0.25, 0.15, 0.002, None),
    "cladding-aligned fusion": (0.32, 0.15, 0.002, None),
    "ribbon fusion": (0.38, 0.18, 0.002, None),
    "mechanical, trained": (0.38, 0.18, 0.03, None),
    "mechanical, field": (0.65, 0.35, 0.08, None),
    "stub connector": (0.50, 0.25, 0.05, 0.50),
    "connector spliced on": (0.32, 0.15, 0.002, 0.50),
    "pigtail": (0.25, 0.15, 0.002, 0.50),
}
MULTIMODE = {
    "fusion": (0.6, 0.15, 0.005, None),
    "mechanical": (1.5, 0.5, 0.05, None),
    "stub connector": (1.5, 0.5, 0.05, 0.5),
    "pair": (0.0, 0.0, 0.0, 0.5),
}
CORES = {"50 µm": (25.0, 0.2), "62.5 µm": (31.25, 0.275)}


def single_mode(name: str, wavelength_um: float = 1.31, failure_chance: float = 0.0) -> LossModel:
    sigma_um, sigma_deg, l0_db, limit_db = SINGLE_MODE[name]
    w_um = {1.31: 4.6, 1.55: 5.2}[wavelength_um]
    means = [mean_offset_loss_db(sigma_um, w_um), mean_tilt_loss_db(sigma_deg, 1.45, w_um, wavelength_um)]
    if limit_db is not None:
        means.append(mean_pair_loss_at_radius_db(limit_db, w_um))
    return LossModel(l0_db, tuple(means), failure_chance)


def multimode(name: str, core: str = "50 µm") -> LossModel:
    sigma_um, sigma_deg, l0_db, limit_db = MULTIMODE[name]
    radius_um, aperture = CORES[core]
    means = [
        mean_multimode_offset_loss_db(sigma_um, radius_um),
        mean_multimode_tilt_loss_db(sigma_deg, 1.48, aperture),
    ]
    if limit_db is not None:
        means.append(mean_multimode_pair_loss_db(limit_db, radius_um))
    return LossModel(l0_db, tuple(means))
