"""What a repair throws back, held against what the light bears: by the owner's word, else by what the light carries.

A gel joint is an envelope over temperature and over what gels differ by; several joints add as powers, each behind the
loss before it. All logarithms are taken when a policy is compiled.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Between, Known
from repairadvisor.optics.constants import Constant
from repairadvisor.optics.reflectance import (
    air_film_worst_return_loss_db,
    gel_joint_return_loss_range_db,
    total_return_loss_db,
)
from repairadvisor.optics.reflection_limits import LADDER_COUNTS, SINGLE_REFLECTION_DB, ladder_limit

GEL_METHODS = ("mechanical_splice", "field_fit_stub")
COLDEST_C, HOTTEST_C = -40, 75
_PUBLISHED = {
    "passive_network": "PON",
    "analogue_video": "analogue video",
    "single_mode_data": "Ethernet, single-mode, serial or LR4",
    "multimode_lan": "Ethernet, multimode",
}
_LADDERS = {"100gbase_dr": "DR", "400gbase_dr4": "DR", "100gbase_fr1": "FR", "100gbase_lr1": "LR"}
#: Reflections weaker than this do not count on a ladder.
COUNTED_DB = -55.0


@dataclass(frozen=True, slots=True)
class Reflections:
    """Compiled: least and greatest reflectance of a gel joint by whole degrees, one that has run dry, and joints of a
    class together, by reflectance, joints and the loss of one."""

    gel_db: tuple[tuple[float, float], ...]
    dry_gel_db: float
    together_db: Mapping[tuple[float, int, float], float]

    def gel_at(self, temperature_c: float) -> tuple[float, float]:
        """Between what a gel joint reflects at a temperature, dB; outside the table as at its end."""
        place = min(max(round(temperature_c), COLDEST_C), HOTTEST_C) - COLDEST_C
        return self.gel_db[place]

    def gel_keeps(self, limit_db: float) -> tuple[int, int] | None:
        """The stretch of temperatures around 25 °C in which every gel of the envelope keeps a limit; None: nowhere."""
        kept = [worst <= limit_db for worst, _ in self.gel_db]
        middle = 25 - COLDEST_C
        if not kept[middle]:
            return None
        cold = next((i + 1 for i in range(middle, -1, -1) if not kept[i]), 0)
        hot = next((i - 1 for i in range(middle, len(kept)) if not kept[i]), len(kept) - 1)
        return cold + COLDEST_C, hot + COLDEST_C


def compile_reflections(joints: Iterable[tuple[float, int, float]]) -> Reflections:
    """The tables, for joints given as (reflectance in dB, how many on a fibre, median loss of one in dB)."""
    gel = []
    for temperature in range(COLDEST_C, HOTTEST_C + 1):
        least, greatest = gel_joint_return_loss_range_db(float(temperature), float(temperature))
        gel.append((-least, -greatest))
    together = {
        key: -total_return_loss_db([(key[0], key[2] * place) for place in range(key[1])]) for key in joints if key[1]
    }
    return Reflections(tuple(gel), -air_film_worst_return_loss_db(), together)


def published_limit(context: Context) -> Constant | None:
    """The limit for one reflection by what the light carries; None where that is not known, or none is published.

    On links of four levels it falls with the number of reflections: the plugged pairs, and the one that the repair may
    add; where nobody has counted them, as many as the ladder has steps for. Beyond its last step there is none to give.
    """
    found = _published(context)
    return None if found is None else found[1]


def published_as(context: Context) -> str:
    """Under which name the policy's wording says where that limit stands; "" where there is none."""
    found = _published(context)
    return "" if found is None else found[0]


def _published(context: Context) -> tuple[str, Constant] | None:
    services = context.possible["service_kind"].words
    if len(services) != 1:
        return None
    if services[0] != "pam4_parallel":
        name = _PUBLISHED.get(services[0])
        return None if name is None else (services[0], SINGLE_REFLECTION_DB[name])
    ladders = {_LADDERS[word] for word in context.possible["link_class"].words if word in _LADDERS}
    count = _most_pairs(context) + 1
    if count > LADDER_COUNTS[-1]:
        return None
    limits = [(name, ladder_limit(name, count)) for name in sorted(ladders)]
    return min(limits, key=lambda one: one[1].value, default=None)


def _most_pairs(context: Context) -> int:
    state = context.state("link_plug_pairs_count")
    if isinstance(state, Between):
        return int(state.high)
    return int(state.value) if isinstance(state, Known) and isinstance(state.value, float) else LADDER_COUNTS[-1] - 1
