"""A quantity outside the range of its formula is refused, by name."""

import math

import pytest

from repairadvisor.errors import OpticsError
from repairadvisor.optics.valid_range import in_range


@pytest.mark.parametrize("value", [-0.001, 1.001, math.nan, math.inf])
def test_a_value_outside_or_no_number_is_refused_with_name_value_range_and_unit(value):
    with pytest.raises(OpticsError) as caught:
        in_range("gap", value, 0.0, 1.0, "µm")
    assert caught.value.quantity == "gap"
    assert caught.value.allowed == "0 to 1"
    assert caught.value.unit == "µm"


@pytest.mark.parametrize("value", [0.0, 0.25, 1.0])
def test_a_value_inside_or_on_the_edge_comes_back_unchanged(value):
    assert in_range("gap", value, 0.0, 1.0, "µm") == value
