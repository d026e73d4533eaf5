"""How much a service lets a link throw back: limits in dB, negative, each with source and mark.

None of the standards' own texts could be opened. What is marked *from memory* has to be verified in the
standard before a screen relies on it; ``verify`` stands in the source where even the memory is unsure.
"""

from __future__ import annotations

from repairadvisor.optics.constants import Constant
from repairadvisor.optics.valid_range import in_range

#: Greatest reflectance of one reflection.
SINGLE_REFLECTION_DB: dict[str, Constant] = {
    "PON": Constant(-35.0, "dB", "ITU-T G.984.2, G.987.2, G.9807.1, as quoted by operators", "read"),
    "analogue video": Constant(-55.0, "dB", "common demand at 1550 nm; many operators ask for -60", "from memory"),
    "Ethernet, single-mode, serial or LR4": Constant(-26.0, "dB", "IEEE 802.3 cabling clauses", "from memory"),
    "Ethernet, multimode": Constant(-20.0, "dB", "IEEE 802.3 cabling clauses", "from memory"),
}

#: Least return loss of a whole optical distribution network.
NETWORK_RETURN_LOSS_DB: dict[str, Constant] = {
    "PON": Constant(32.0, "dB", "ITU-T G.9807.1, as quoted by operators", "read"),
}

LADDER_COUNTS = (1, 2, 4, 6, 8, 10)

#: Greatest reflectance of each, by how many reflections above -55 dB there are (the counts above).
LADDER_DB: dict[str, tuple[Constant, ...]] = {
    service: tuple(Constant(limit, "dB", source, "from memory") for limit in limits)
    for service, source, limits in (
        (
            "DR",
            "IEEE 802.3 clauses 140 and 124 (100GBASE-DR, 400GBASE-DR4): verify",
            (-37.0, -42.0, -45.0, -47.0, -48.0, -49.0),
        ),
        (
            "FR",
            "IEEE 802.3 clause 140 (100GBASE-FR1, 400GBASE-FR4): verify",
            (-25.0, -31.0, -35.0, -38.0, -40.0, -41.0),
        ),
        ("LR", "IEEE 802.3 clause 140 (100GBASE-LR1): verify", (-22.0, -29.0, -33.0, -35.0, -37.0, -39.0)),
    )
}


def ladder_limit(service: str, reflections: int) -> Constant:
    """The limit for each of ``reflections`` (1 to 10) above -55 dB on a "DR", "FR" or "LR" link.

    Between two counts of the ladder the stricter, of the next count, holds.
    Errors: OpticsError for a count outside; KeyError for a service without a ladder.
    """
    in_range("number of reflections", reflections, 1, LADDER_COUNTS[-1], "1")
    step = next(i for i, count in enumerate(LADDER_COUNTS) if count >= reflections)
    return LADDER_DB[service][step]
