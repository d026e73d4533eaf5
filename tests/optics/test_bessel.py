"""Bessel functions against a numerical library, over the whole range that is accepted."""

import numpy as np
import pytest
from scipy import special

from repairadvisor.errors import OpticsError
from repairadvisor.optics.bessel import bessel_j, bessel_k, j, k


@pytest.mark.parametrize("order", [0, 1])
def test_j_agrees_with_the_library(order):
    x = np.linspace(0, 30, 3001)
    assert np.max(np.abs(bessel_j(order, x) - special.jv(order, x))) < 1e-14


@pytest.mark.parametrize("order", [0, 1])
def test_k_agrees_with_the_library(order):
    x = np.geomspace(1e-3, 100, 3001)
    assert np.max(np.abs(bessel_k(order, x) / special.kv(order, x) - 1)) < 1e-12


def test_one_number_is_the_same_as_a_column_of_one():
    assert j(1, 2.0) == bessel_j(1, np.array([2.0]))[0]
    assert k(1, 2.0) == bessel_k(1, np.array([2.0]))[0]


@pytest.mark.parametrize("call", [lambda: j(0, 31.0), lambda: j(0, -0.1), lambda: k(0, 0.0), lambda: k(1, 101.0)])
def test_an_argument_out_of_range_is_refused(call):
    with pytest.raises(OpticsError):
        call()
