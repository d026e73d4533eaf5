"""The exact LP01 mode of a step-index fibre and its overlaps, by library Bessel functions and quadrature.

It shares no code with the product: the field comes from scipy, offset and gap from a Hankel transform,
tilt from a direct integral. The test fibre has a core radius of 4.1 µm and a relative index difference of
0.33 % in pure silica (Sellmeier coefficients of ofiber); it behaves as a G.652 fibre.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import ofiber
from scipy import integrate, optimize, special

CORE_RADIUS_UM = 4.1
INDEX_DIFFERENCE = 0.0033
_SILICA = ofiber.glass(ofiber.find_glass("SiO2"))


class ExactMode:
    def __init__(self, wavelength_um: float) -> None:
        self.wavelength_um = wavelength_um
        self.cladding_index = float(ofiber.n(_SILICA, wavelength_um * 1e-6))
        self.core_index = self.cladding_index / np.sqrt(1 - 2 * INDEX_DIFFERENCE)
        self.aperture = float(np.sqrt(self.core_index**2 - self.cladding_index**2))
        self.v = 2 * np.pi * CORE_RADIUS_UM * self.aperture / wavelength_um

        def characteristic(u):
            w = np.sqrt(self.v**2 - u**2)
            return u * special.j1(u) / special.j0(u) - w * special.k1(w) / special.k0(w)

        self.u = optimize.brentq(characteristic, 1e-6, min(self.v, 2.404825) - 1e-9, xtol=1e-14)
        self.w = np.sqrt(self.v**2 - self.u**2)
        self._r = np.concatenate([np.linspace(0, 4.1, 4001), np.linspace(4.1, 100, 40001)])
        x = self._r / CORE_RADIUS_UM
        self._field = np.where(
            x <= 1,
            special.j0(self.u * np.minimum(x, 1)) / special.j0(self.u),
            special.k0(self.w * np.maximum(x, 1)) / special.k0(self.w),
        )

    def _over_area(self, values):
        core = slice(0, 4001)
        cladding = slice(4001, None)
        inside = integrate.simpson(values[core] * self._r[core], x=self._r[core])
        return inside + integrate.simpson(values[cladding] * self._r[cladding], x=self._r[cladding])

    @property
    def effective_area_um2(self) -> float:
        square = self._field**2
        return float(2 * np.pi * self._over_area(square) ** 2 / self._over_area(square**2))

    @property
    def petermann_1_um(self) -> float:
        square = self._field**2
        return float(np.sqrt(2 * self._over_area(square * self._r**2) / self._over_area(square)))

    @property
    def petermann_2_um(self) -> float:
        """From the slope of the field, numerically: no closed form."""
        core, cladding = slice(0, 4001), slice(4001, None)
        slope = np.concatenate(
            [np.gradient(self._field[part], self._r[part], edge_order=2) for part in (core, cladding)]
        )
        return float(np.sqrt(2 * self._over_area(self._field**2) / self._over_area(slope**2)))

    def _spectrum(self, k):
        q = k * CORE_RADIUS_UM
        top = self.u * special.j1(self.u) / special.j0(self.u) * special.j0(q) - q * special.j1(q)
        return top * self.v**2 / ((self.u**2 - q**2) * (self.w**2 + q**2))

    def offset_and_gap_loss_db(self, offset_um: float = 0.0, gap_um: float = 0.0, index: float = 1.45) -> float:
        k = np.linspace(1e-9, 60 / CORE_RADIUS_UM, 40001)
        power = self._spectrum(k) ** 2 * k
        phase = np.exp(1j * k * k * gap_um * self.wavelength_um / (4 * np.pi * index))
        overlap = integrate.simpson(power * special.j0(k * offset_um) * phase, x=k)
        return float(-20 * np.log10(abs(overlap) / integrate.simpson(power, x=k)))

    def tilt_loss_db(self, tilt_deg: float, index: float) -> float:
        q = 2 * np.pi * index * np.sin(np.radians(tilt_deg)) / self.wavelength_um
        overlap = self._over_area(self._field**2 * special.j0(q * self._r))
        return float(-20 * np.log10(abs(overlap) / self._over_area(self._field**2)))


@cache
def exact_mode(wavelength_um: float) -> ExactMode:
    return ExactMode(wavelength_um)
