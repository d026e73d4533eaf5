"""The margin before the fault, where nobody has told it: from measured power, else from the class of the link.

Measured power says most: what the receiver saw, less what it needs, less the owner's reserve. Else the class allows so
much loss, and fibre, splitters, splices and plugs take of it, each between what most lose and what planning allows.
Every part has to be told, if only between bounds; nothing is guessed, and bounded parts give a bounded margin.
"""

from __future__ import annotations

from dataclasses import dataclass

from repairadvisor.decision.light import MULTIMODE, SINGLE_MODE, Light, mode_of
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Between, Known, State
from repairadvisor.facts.vocabulary import BY_NAME, LINK_CLASSES, MULTIMODE_TYPES, SINGLE_MODE_TYPES
from repairadvisor.optics.budgets import CHANNELS, NETWORK_CLASSES
from repairadvisor.optics.link import (
    Span,
    exactly,
    fibre_loss_db,
    ideal_splitter_loss_db,
    margin_from_budget_db,
    margin_from_power_db,
    splitter_loss_db,
)

MEASURED, BY_CLASS = "margin_by_power", "margin_by_class"


def _slug(name: str) -> str:
    """A class as the vocabulary writes it: XGS-PON N1, xgs_pon_n1."""
    plain = name.lower().replace("+", "_plus")
    return "".join(sign if sign.isalnum() else "_" for sign in plain)


@dataclass(frozen=True, slots=True)
class LinkClass:
    """One class: the fibre type or mode that it holds for, its most loss in dB, its wavelength or the shortest of its
    bands in nm, and its reach in m (none for a network)."""

    fibre: str
    most_db: float
    shortest_nm: float
    reach_m: float | None


def _classes() -> dict[str, list[LinkClass]]:
    """By the vocabulary's word."""
    found: dict[str, list[LinkClass]] = {
        _slug(name): [LinkClass(SINGLE_MODE, network.most_db, network.up_nm[0], None)]
        for name, network in NETWORK_CLASSES.items()
    }
    for name, channel in CHANNELS.items():
        head, _, last = name.rpartition(" ")
        typed = last.lower() in MULTIMODE_TYPES
        word = _slug(head if typed or last == MULTIMODE else name)
        only_multimode = word not in LINK_CLASSES["single_mode_data"] + LINK_CLASSES["pam4_parallel"]
        fibre = last.lower() if typed else MULTIMODE if only_multimode or last == MULTIMODE else SINGLE_MODE
        one = LinkClass(fibre, channel.most_db, channel.wavelength_nm, channel.reach_m)
        found.setdefault(word, []).append(one)
    return found


#: Every class that a link can be said to have.
CLASSES = _classes()
#: Between an ideal splitter and what planning allows one, dB.
_SPLITTER_DB = {
    ways: Span(ideal_splitter_loss_db(ways), splitter_loss_db(ways).high) for ways in (2, 4, 8, 16, 32, 64, 128)
}


def margin_of(light: Light, context: Context) -> tuple[State, str] | None:
    """The margin as a fact, and how it came about; None where it is told, or cannot be told from what is."""
    if "margin_db" in context.held:
        return None
    reserve = _span(context, "owner_reserve_db") or exactly(0.0)
    measured = _from_power(context)
    if measured is not None:
        return _state(measured.minus(reserve)), MEASURED
    by_class = _from_class(light, context)
    return None if by_class is None else (_state(by_class.minus(reserve)), BY_CLASS)


def _state(margin: Span) -> State:
    """Within the range of the fact: a link that is tens of decibels beyond its class has no margin either way."""
    fact = BY_NAME["margin_db"]
    low, high = (min(max(round(one, 6), fact.low), fact.high) for one in (margin.low, margin.high))
    return Known(low) if low == high else Between(low, high)


def _from_power(context: Context) -> Span | None:
    received, needs = _span(context, "received_power_before_dbm"), _span(context, "receiver_needs_dbm")
    if received is None or needs is None:
        return None
    worst, best = margin_from_power_db(received, needs.high), margin_from_power_db(received, needs.low)
    return Span(worst.low, best.high)


def _from_class(light: Light, context: Context) -> Span | None:
    length, splices = _span(context, "link_length_m"), _span(context, "link_splices_count")
    pairs = _span(context, "link_plug_pairs_count")
    services = context.possible["service_kind"].words
    modes = {mode_of(service) for service in services}
    if length is None or splices is None or pairs is None or len(modes) != 1 or "link_class" not in context.held:
        return None
    mode = modes.pop()
    splitters = _splitters(context)
    classes = _classes_of(context, mode, length.high)
    if splitters is None or not classes:
        return None
    rates = {name: number.value for name, number in light.policy.rates.items()}
    planned = rates["link_splice_planned_db" if mode == SINGLE_MODE else "link_splice_planned_multimode_db"]
    losses = [
        splices.times(Span(rates["link_splice_usual_db"], planned)),
        pairs.times(Span(rates["link_pair_usual_db"], rates["link_pair_planned_db"])),
        *splitters,
    ]
    margins = [
        margin_from_budget_db(one.most_db, [fibre_loss_db(length, _attenuation(light, context, mode, one)), *losses])
        for one in classes
    ]
    return Span(min(margin.low for margin in margins), max(margin.high for margin in margins))


def _splitters(context: Context) -> list[Span] | None:
    """What splitters take; None where a passive network's are not told. Other links have none."""
    losses = []
    for name in ("splitter_first", "splitter_second"):
        if not context.possible[name].applies:
            continue
        if name not in context.held:
            return None
        spans = [_SPLITTER_DB[int(word[1:])] for word in context.possible[name].words if word != "none"]
        low = min((span.low for span in spans), default=0.0)
        none_may_be = "none" in context.possible[name].words
        losses.append(Span(0.0 if none_may_be else low, max((span.high for span in spans), default=0.0)))
    return losses


def _classes_of(context: Context, mode: str, length_m: float) -> list[LinkClass]:
    """What the link's class may mean, for the fibre it may have; nothing where it may be longer than a class reaches,
    for beyond its reach the loss that a class allows says nothing."""
    types = _types(context, mode)
    found = [
        one for word in context.possible["link_class"].words for one in CLASSES[word] if one.fibre in (mode, *types)
    ]
    within = all(one.reach_m is None or length_m <= one.reach_m for one in found)
    return found if within else []


def _types(context: Context, mode: str) -> tuple[str, ...]:
    """The types that the link's fibre may have."""
    of_mode = SINGLE_MODE_TYPES if mode == SINGLE_MODE else MULTIMODE_TYPES
    for name in ("fibre_type_near", "fibre_type_far"):
        if name in context.held:
            return tuple(word for word in context.possible[name].words if word in of_mode)
    return of_mode


def _attenuation(light: Light, context: Context, mode: str, link: LinkClass) -> Span:
    """Between what the fibre may lose, dB/km, at the wavelength of the class at which it loses most."""
    known, types = light.policy.light.attenuation, _types(context, mode)
    have = sorted({nm for name, nm in known if name in types})
    nearest = min(have, key=lambda nm: abs(nm - link.shortest_nm))
    by_type = [known[name, nearest] for name in types if (name, nearest) in known]
    rates = light.policy.rates
    shorter = rates["link_attenuation_below_1290_db_per_km"].value if 1200 < link.shortest_nm < 1290 else 0.0
    return Span(rates["link_attenuation_least_share"].value * min(by_type), max(by_type) + shorter)


def _span(context: Context, name: str) -> Span | None:
    """A number as told, or the bounds it was told within."""
    state = context.state(name)
    if isinstance(state, Between):
        return Span(state.low, state.high)
    return exactly(state.value) if isinstance(state, Known) and isinstance(state.value, float) else None
