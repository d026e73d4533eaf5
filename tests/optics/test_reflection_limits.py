"""Limits of reflection by service: as printed, ordered as physics demands."""

import pytest

from repairadvisor.errors import OpticsError
from repairadvisor.optics.reflectance import gel_joint_return_loss_range_db
from repairadvisor.optics.reflection_limits import LADDER_COUNTS, LADDER_DB, SINGLE_REFLECTION_DB, ladder_limit


@pytest.mark.parametrize(("service", "first", "last"), [("DR", -37, -49), ("FR", -25, -41), ("LR", -22, -39)])
def test_a_ladder_begins_and_ends_as_recalled_and_falls_all_the_way(service, first, last):
    # IEEE 802.3 clauses 124 and 140, from memory: to be verified there.
    limits = [constant.value for constant in LADDER_DB[service]]
    assert len(limits) == len(LADDER_COUNTS)
    assert (limits[0], limits[-1]) == (first, last)
    assert limits == sorted(limits, reverse=True)
    assert all(c.mark == "from memory" and "verify" in c.source for c in LADDER_DB[service])


def test_between_two_counts_the_stricter_holds():
    assert ladder_limit("DR", 2).value == -42.0
    assert ladder_limit("DR", 3).value == -45.0
    assert ladder_limit("FR", 5).value == ladder_limit("FR", 6).value == -38.0


@pytest.mark.parametrize("count", [0, 11])
def test_beyond_the_ladder_there_is_no_limit_to_give(count):
    with pytest.raises(OpticsError):
        ladder_limit("DR", count)


def test_a_flat_gel_joint_in_the_cold_passes_ethernet_and_fails_video():
    least, _ = gel_joint_return_loss_range_db(-20.0, 40.0)
    assert -least < SINGLE_REFLECTION_DB["Ethernet, single-mode, serial or LR4"].value
    assert -least > SINGLE_REFLECTION_DB["analogue video"].value
