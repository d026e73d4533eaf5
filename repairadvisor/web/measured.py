"""A joint as it was measured at the pole, typed into a form: read into a report of work, and its faults led back to
the fields they speak of. What a reading may be is held by the report itself."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from repairadvisor.decision.advice import Advice, KeepUpTo
from repairadvisor.errors import Fault, InputError
from repairadvisor.outcome.reported import BOUNDS, COUNTS, INSPECTIONS, PULL_TESTS, YES_NO_UNKNOWN
from repairadvisor.outcome.verdict import ACCEPT, WITHHELD
from repairadvisor.schemas.outcome import Entry, fibres_named
from repairadvisor.schemas.outcome_answer import AttemptTold, WorkSoFar
from repairadvisor.schemas.outcome_rows import WAYS, read_cells

#: What a reading is asked for first; wavelengths that the advice speaks of stand beside them.
USUAL_NM = {"single_mode": (1310, 1550), "multimode": (850, 1300)}
#: What can be chosen, in the order in which it is asked.
CHOICES: Mapping[str, tuple[str, ...]] = {
    "way": WAYS[::-1],
    "bound": BOUNDS,
    "pull_test": PULL_TESTS,
    "inspection": INSPECTIONS,
    "body_reopens": YES_NO_UNKNOWN,
}
#: Numbers and names that are seldom needed, each with its unit.
MORE: Mapping[str, str] = {
    "reflectance_db": "dB",
    "level_below_record_db": "dB",
    "machine_estimate_db": "dB",
    "tray_fibre_near_m": "m",
    "tray_fibre_far_m": "m",
    "joint_bodies_left": "",
    "joints_read": "",
    "ribbon": "",
    "person": "",
    "machine": "",
    "cleaver": "",
}
#: In which field stands what a verdict waits for; first a loss, where it waits for one.
FIELD_OF: Mapping[str, str] = {
    "clean": "inspection",
    "measure_other_way": "way",
    "measure_reflectance": "reflectance_db",
    "pull_test": "pull_test",
    "trace_whole_link": "level_below_record_db",
}
LOSS_FIRST = ("measure_loss", "re_lay")
#: What names the attempt.
NAMING = ("fibre", "joint", "attempt", "method", "made_at")
#: A field is refused as far too long before anything looks at it.
LONGEST = 400
_LOSS = "loss_"
_OF_READING = re.compile(rf"(?:{'|'.join(WAYS)})_([0-9]+)_?(?:db)?|bound_([0-9]+)|readings\.([0-9]+)\..*")
_MINUS = ("-", "\N{MINUS SIGN}", "\N{EN DASH}")
_NUMBER = re.compile(r"([-+\N{MINUS SIGN}\N{EN DASH}]?)([0-9]*)([.,])([0-9]+)(?![0-9.,])", re.ASCII)
_WHERE = re.compile(r"attempts\[[0-9]+\]\.?")


@dataclass(frozen=True, slots=True)
class Typed:
    """What stands in the form, by the names of its fields, and which wavelengths it asks for."""

    cells: Mapping[str, str]
    nms: tuple[int, ...]

    def __getitem__(self, name: str) -> str:
        return self.cells.get(name, "")

    def given(self) -> list[tuple[str, str]]:
        """All that was typed, as a link tells it."""
        return [(name, value) for name, value in self.cells.items() if value]

    def with_(self, **cells: str) -> Typed:
        """The same with some fields otherwise."""
        return replace(self, cells={**self.cells, **cells})


def fields_of(nms: Sequence[int]) -> tuple[str, ...]:
    """Every field of the form."""
    return (*NAMING, *(f"{_LOSS}{nm}" for nm in nms), *CHOICES, *MORE)


def read_typed(given: Mapping[str, str], nms: tuple[int, ...]) -> Typed:
    """What a link or a form holds of a reading; nothing is judged or cut."""
    return Typed({name: given.get(name, "").strip() for name in fields_of(nms)}, nms)


def report_of(typed: Typed, advice_id: str) -> dict[str, object]:
    """The report of work that the form makes. Raises :class:`InputError` with every fault at the field's own name."""
    faults = [
        Fault("too-long", name, f"{value[:40]}…", f"is {len(value)} characters long", f"up to {LONGEST}")
        for name, value in typed.cells.items()
        if len(value) > LONGEST
    ]
    faults += [
        Fault("unknown-word", name, typed[name], "no such word", ", ".join(words))
        for name, words in CHOICES.items()
        if typed[name] and typed[name] not in words
    ]
    if any(typed[f"{_LOSS}{nm}"] for nm in typed.nms) and not typed["way"]:
        # From one end and from both are not the same: nobody may guess which it was.
        faults.append(Fault("missing", "way", "", "is missing beside a loss", ", ".join(CHOICES["way"])))
    if any(fault.slug == "too-long" for fault in faults):
        raise InputError(faults)
    try:
        row = read_cells({"advice": advice_id, **_cells(typed)}, "")
    except InputError as error:
        raise InputError((*faults, *led_back(error.faults))) from error
    if faults:
        raise InputError(faults)
    return {"advice": advice_id, "attempts": [_told(one) for one in row.entries]}


def led_back(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """Faults of a report, each at the field of the form that it speaks of."""
    found = []
    for fault in faults:
        name = _WHERE.sub("", fault.field)
        of_reading = _OF_READING.fullmatch(name)
        nm = next((one for one in of_reading.groups() if one), "") if of_reading else ""
        found.append(replace(fault, field=f"{_LOSS}{nm}" if nm else name))
    return tuple(dict.fromkeys(found))


def _cells(typed: Typed) -> dict[str, str]:
    """The same as cells of a table of results. What is no word of a choice is told elsewhere, and left out; where the
    way is not told, the wider range of one end is what its losses are looked at by."""
    words = {name: typed[name] for name in CHOICES if typed[name] in CHOICES[name]}
    way, bound = words.pop("way", "from_near"), words.pop("bound", "")
    cells = {name: typed[name] for name in (*NAMING, *MORE) if typed[name]} | words
    cells |= {name: with_point(cells[name]) for name, unit in MORE.items() if unit and name in cells}
    for nm in typed.nms:
        if typed[f"{_LOSS}{nm}"]:
            cells[f"{way}_{nm}_db"] = with_point(typed[f"{_LOSS}{nm}"])
            if bound:
                cells[f"bound_{nm}"] = bound
    return cells


def with_point(text: str, *, thousands: bool = False) -> str:
    """A number with a decimal comma, or none before its point, as one with a point; all else as it is. With
    ``thousands`` 1,200 is left as it is: it may be one of them."""
    found = _NUMBER.match(text)
    if found is None:
        return text
    sign, whole, mark, part = found.groups()
    if thousands and mark == "," and len(part) == 3 and whole.strip("0"):
        return text
    return f"{'-' if sign in _MINUS else sign}{whole or '0'}.{part}{text[found.end() :]}"


def _told(entry: Entry) -> dict[str, Any]:
    told = asdict(entry.attempt)
    del told["advice"]
    return told


# --- what is known beside it ----------------------------------------------------------------------------------


def wavelengths(advice: Advice, modes: Sequence[str]) -> tuple[int, ...]:
    """At which wavelengths a joint is asked for: those usual for the fibre, then those that the advice speaks of."""
    mode = modes[0] if len(modes) == 1 else "single_mode"
    spoken_of = () if advice.loss is None else tuple(int(nm) for nm in advice.loss.by_wavelength)
    return tuple(dict.fromkeys((*USUAL_NM[mode], *spoken_of)))


def limits_at(advice: Advice, joint: int, attempt: int) -> tuple[KeepUpTo, ...]:
    """Up to what one joint is kept at one attempt."""
    rows = () if advice.loss is None else advice.loss.limits
    return tuple(
        row for row in rows if row.joint_from <= joint <= row.joint_to and row.attempt_from <= attempt <= row.attempt_to
    )


def attempts_at(works: Sequence[WorkSoFar], fibre: str, joint: int) -> tuple[AttemptTold, ...]:
    """The attempts that are kept of one joint of a fibre, or of any of a stretch of them, under whichever advice."""
    names = set(fibres_named(fibre, "fibre", [])[0])
    return tuple(
        one for work in works for one in work.attempts if names.intersection(one.fibres) and one.joint == joint
    )


def joints_told(works: Sequence[WorkSoFar]) -> dict[str, set[int]]:
    """Of each fibre that was reported the joints that were, also those that one reading holds together."""
    found: dict[str, set[int]] = {}
    for work in works:
        for attempt in work.attempts:
            for fibre in attempt.fibres:
                found.setdefault(fibre, set()).add(attempt.joint)
        for one in work.verdicts:
            for fibre in one.fibres:
                found.setdefault(fibre, set()).update(range(one.joint, one.joint + one.joints_read))
    return found


def joints_left(told: Mapping[str, set[int]], each: int) -> list[tuple[tuple[int, ...], list[str]]]:
    """Joints that are left on fibres of which some were reported, with the fibres on which those are left."""
    found: dict[tuple[int, ...], list[str]] = {}
    for fibre, joints in told.items():
        if left := tuple(joint for joint in range(1, each + 1) if joint not in joints):
            found.setdefault(left, []).append(fibre)
    return list(found.items())


def attempts_in_vain(works: Sequence[WorkSoFar]) -> int:
    """The most attempts that were made at a joint which may not stay."""
    last: dict[tuple[str, int], AttemptTold] = {}
    for work in works:
        for one in work.attempts:
            for fibre in one.fibres:
                before = last.get((fibre, one.joint))
                last[fibre, one.joint] = one if before is None or before.attempt <= one.attempt else before
    return max((one.attempt for one in last.values() if one.verdict != ACCEPT), default=0)


def next_attempt(attempts: Sequence[AttemptTold]) -> int:
    """Which attempt a reading is of, as far as the records say: the last one while no verdict on it is given."""
    if not attempts:
        return 1
    last = max(attempts, key=lambda one: one.attempt)
    return last.attempt if last.verdict in ("", WITHHELD) else last.attempt + 1


def fault_of_joint(fibre: str, joint: str, joints: int | None) -> list[Fault]:
    """What is wrong with the name of a joint, before its reading is asked for."""
    faults = []
    if not fibre:
        faults.append(Fault("missing", "fibre", "", "is missing", "the fibre's name, as T1F7"))
    elif len(fibre) > LONGEST:
        faults.append(Fault("too-long", "fibre", f"{fibre[:40]}…", f"is {len(fibre)} characters long", "1 to 64"))
    most = joints or next(high for name, _, high in COUNTS if name == "joint")
    if not joint.isascii() or not joint.isdigit() or len(joint) > 3 or not 1 <= int(joint) <= most:
        shown = f"{joint[:40]}…" if len(joint) > LONGEST else joint
        faults.append(Fault("out-of-range", "joint", shown, "is no joint of this repair", f"1 to {most}"))
    return faults
