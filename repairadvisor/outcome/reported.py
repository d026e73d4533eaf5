"""What is reported of a joint after it was made: every attempt, as it was measured, and nothing concluded from it.

Losses are dB and positive, reflectances dB and negative, lengths metres, times aware and kept in UTC. "near" is the
side of the equipment, "far" that of the customer. ``None``, "" and "unknown" mean that nobody has said: never that it
is well. What a report says of itself is looked at when it is made; what it takes now, the fibre and the policy to see
is looked at by :func:`held_against`. Both name every fault at once.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.parse import shown

#: How a reading bounds the truth: it is it, the truth lies below it (nothing seen down to it), or above it.
EXACT, BELOW, ABOVE = "exact", "below", "above"
BOUNDS = (EXACT, BELOW, ABOVE)
UNKNOWN = "unknown"
PULL_TESTS = ("passed", "failed", UNKNOWN)
#: What the faces of a plug looked like before they were mated, the worse of both.
INSPECTIONS = ("clean", "dirty", "damaged", UNKNOWN)
YES_NO_UNKNOWN = ("yes", "no", UNKNOWN)

#: Wavelengths at which a fibre of each mode is measured, nm.
CARRIED_NM = {"single_mode": (1310, 1490, 1550, 1577, 1625), "multimode": (850, 1300)}

#: A gain seen from one end is no more than unlike mode fields make: 1.6 dB from 12.5 into 8.6 µm (10 log of the ratio).
ONE_WAY_DB = (-2.0, 20.0)
#: The average of both ways is the loss; below nothing it is noise (three times 0.05 dB), and more is a wrong sign.
BOTH_WAYS_DB = (-0.15, 20.0)
_TEXT = re.compile(r"[^\s,;\"'](?:[^\n\r\t,;\"']{0,62}[^\s,;\"'])?")
_PSEUDONYM = re.compile(r"[A-Za-z0-9._-]{1,64}")

#: Field, least, most, unit of every plain number that a report may hold.
NUMBERS: tuple[tuple[str, float, float, str], ...] = (
    ("machine_estimate_db", 0.0, 5.0, "dB"),
    ("reflectance_db", -90.0, 0.0, "dB"),
    ("power_before_dbm", -60.0, 20.0, "dBm"),
    ("power_after_dbm", -60.0, 20.0, "dBm"),
    ("level_below_record_db", -20.0, 60.0, "dB"),
    ("tray_fibre_near_m", 0.0, 10.0, "m"),
    ("tray_fibre_far_m", 0.0, 10.0, "m"),
    ("pulse_ns", 1.0, 100_000.0, "ns"),
    ("to_next_joint_m", 0.0, 120_000.0, "m"),
)
COUNTS: tuple[tuple[str, int, int], ...] = (
    ("joint", 1, 50),
    ("attempt", 1, 20),
    ("joints_read", 1, 3),
    ("joint_bodies_left", 0, 1000),
)
WORDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("reflectance_bound", (EXACT, BELOW)),
    ("pull_test", PULL_TESTS),
    ("inspection", INSPECTIONS),
    ("body_reopens", YES_NO_UNKNOWN),
)


@dataclass(frozen=True, slots=True)
class Reading:
    """What an instrument read of a joint at one wavelength, dB.

    From one end (``from_near_db`` or ``from_far_db``), from both, or their average alone (``both_ways_db``) where that
    is all that was noted. ``bound`` says of all of them whether the truth is it, or lies below or above.
    """

    nm: int
    from_near_db: float | None = None
    from_far_db: float | None = None
    both_ways_db: float | None = None
    bound: str = EXACT

    @property
    def ways(self) -> int:
        """From how many ends it was read: 1 or 2."""
        return 2 if self.both_ways_db is not None or None not in (self.from_near_db, self.from_far_db) else 1

    @property
    def loss_db(self) -> float:
        """The average of both ways, or the reading of the one way there is (which is not the loss)."""
        if self.both_ways_db is not None:
            return self.both_ways_db
        read = [one for one in (self.from_near_db, self.from_far_db) if one is not None]
        return sum(read) / len(read)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt at one joint of one fibre, as reported.

    ``advice`` is the id of the advice it belongs to, ``fibre`` the fibre's name there, ``joint`` which of its joints
    (from the near side, 1 first), ``attempt`` counts from 1. ``joints_read`` says how many joints the readings hold
    together, this one first. ``ribbon`` names the ribbon that was joined as one, "" of a fibre joined by itself.
    ``machine_estimate_db`` is what the machine showed: never a measurement. ``level_below_record_db``: how far the
    light of the whole link lies below its record. ``person``, ``machine`` and ``cleaver`` are pseudonyms.

    Raises :class:`~repairadvisor.errors.InputError` with every fault it can see by itself.
    """

    advice: str
    fibre: str
    joint: int
    method: str
    attempt: int
    made_at: datetime
    readings: tuple[Reading, ...] = ()
    joints_read: int = 1
    ribbon: str = ""
    machine_estimate_db: float | None = None
    reflectance_db: float | None = None
    reflectance_bound: str = EXACT
    pull_test: str = UNKNOWN
    inspection: str = UNKNOWN
    power_before_dbm: float | None = None
    power_after_dbm: float | None = None
    level_below_record_db: float | None = None
    tray_fibre_near_m: float | None = None
    tray_fibre_far_m: float | None = None
    joint_bodies_left: int | None = None
    body_reopens: str = UNKNOWN
    pulse_ns: float | None = None
    to_next_joint_m: float | None = None
    person: str = ""
    machine: str = ""
    cleaver: str = ""

    def __post_init__(self) -> None:
        faults = [*_text_faults(self), *_number_faults(self), *_word_faults(self), *_reading_faults(self.readings)]
        if not isinstance(self.made_at, datetime) or self.made_at.tzinfo is None:
            faults.append(Fault("no-time-zone", "made_at", shown(self.made_at), "has no time zone", _A_TIME))
        else:
            object.__setattr__(self, "made_at", self.made_at.astimezone(UTC))
        if faults:
            raise InputError(faults)

    @property
    def key(self) -> tuple[str, str, int, int]:
        """What makes it this attempt and no other: advice, fibre, joint, attempt."""
        return self.advice, self.fibre, self.joint, self.attempt

    def reading(self, nm: int) -> Reading | None:
        """What was read at a wavelength."""
        return next((one for one in self.readings if one.nm == nm), None)


_A_TIME = "a time with its zone, as 2031-05-04T07:30:00Z"


@dataclass(frozen=True, slots=True)
class Repair:
    """The repair that is reported on: now, what the fibre carries, and the methods there are.

    ``fibre_modes`` are those that the fibre may still be of, "single_mode" and "multimode". ``joints`` of a fibre, as
    the plan makes them; None where any number may be. ``joints_planned`` on each of ``fibres`` are those that the plan
    makes (0: none; None: nobody said how many fibres): they are owed until they are measured.
    """

    now: datetime
    fibre_modes: tuple[str, ...]
    methods: tuple[str, ...]
    joints: int | None = None
    joints_planned: int = 0
    fibres: int | None = None


def held_against(attempt: Attempt, repair: Repair) -> Attempt:
    """The attempt again, or :class:`~repairadvisor.errors.InputError` with every fault: made after now, read at a
    wavelength that the fibre does not carry, by a method that is none, of a joint that is not there."""
    faults = []
    if attempt.made_at > repair.now:
        stated, until = attempt.made_at.isoformat(), repair.now.astimezone(UTC).isoformat()
        faults.append(Fault("wrong-time", "made_at", stated, "lies after now", f"up to {until}"))
    carried = sorted(nm for mode in repair.fibre_modes for nm in CARRIED_NM[mode])
    faults += [_not_carried(one.nm, carried) for one in attempt.readings if one.nm not in carried]
    if attempt.method not in repair.methods:
        allowed = ", ".join(repair.methods)
        faults.append(Fault("unknown-word", "method", shown(attempt.method), "no such method makes a joint", allowed))
    last = attempt.joint + attempt.joints_read - 1
    if repair.joints is not None and last > repair.joints:
        field = "joint" if attempt.joint > repair.joints else "joints_read"
        problem = f"the repair makes {repair.joints} on each fibre"
        faults.append(Fault("out-of-range", field, str(getattr(attempt, field)), problem, f"1 to {repair.joints}"))
    if faults:
        raise InputError(faults)
    return attempt


def no_two_alike(attempts: Sequence[Attempt]) -> tuple[Attempt, ...]:
    """The attempts, each once; InputError where two of one key say different things."""
    seen: dict[tuple[str, str, int, int], Attempt] = {}
    faults = []
    for one in attempts:
        if seen.setdefault(one.key, one) != one:
            named = f"fibre {one.fibre}, joint {one.joint}, attempt {one.attempt}"
            faults.append(Fault("given-twice", "attempt", named, "was reported before, and otherwise", "one of them"))
    if faults:
        raise InputError(faults)
    return tuple(seen.values())


def of_fibre(attempt: Attempt, fibre: str) -> Attempt:
    """The same of another fibre."""
    return replace(attempt, fibre=fibre)


def _text_faults(attempt: Attempt) -> list[Fault]:
    faults = []
    for name in ("advice", "fibre", "method", "ribbon"):
        value = getattr(attempt, name)
        if value == "" and name == "ribbon":
            continue
        if not isinstance(value, str) or not _TEXT.fullmatch(value) or not value.isprintable():
            allowed = "1 to 64 printable characters, no comma, semicolon or quote"
            faults.append(Fault("wrong-text", name, shown(value), "is no name", allowed))
    for name in ("person", "machine", "cleaver"):
        value = getattr(attempt, name)
        if value != "" and (not isinstance(value, str) or not _PSEUDONYM.fullmatch(value)):
            allowed = "1 to 64 letters, digits, dots, strokes: a pseudonym, never a person's name"
            faults.append(Fault("wrong-text", name, shown(value), "is no id", allowed))
    return faults


def _number_faults(attempt: Attempt) -> list[Fault]:
    faults = []
    for name, low, high, unit in NUMBERS:
        value = getattr(attempt, name)
        if value is not None:
            faults += _outside(name, value, low, high, unit)
    for name, least, most in COUNTS:
        value = getattr(attempt, name)
        if value is None and name == "joint_bodies_left":
            continue
        if isinstance(value, bool) or not isinstance(value, int):
            faults.append(Fault("not-whole", name, shown(value), "is not a whole number", f"{least} to {most}"))
        else:
            faults += _outside(name, value, least, most, "")
    return faults


def _word_faults(attempt: Attempt) -> list[Fault]:
    return [
        Fault("unknown-word", name, shown(getattr(attempt, name)), "no such word", ", ".join(words))
        for name, words in WORDS
        if getattr(attempt, name) not in words
    ]


def _reading_faults(readings: Sequence[Reading]) -> list[Fault]:
    every = sorted(nm for carried in CARRIED_NM.values() for nm in carried)
    faults = []
    seen = []
    for one in readings:
        at = f"readings.{shown(one.nm)}"
        if one.nm not in every:
            faults.append(_not_carried(one.nm, every))
        if one.nm in seen:
            faults.append(Fault("given-twice", at, shown(one.nm), "was read before", "one reading a wavelength", "nm"))
        seen.append(one.nm)
        if one.bound not in BOUNDS:
            faults.append(Fault("unknown-word", f"{at}.bound", shown(one.bound), "no such word", ", ".join(BOUNDS)))
        faults += _ways_faults(at, one)
    return faults


def _ways_faults(at: str, reading: Reading) -> list[Fault]:
    ends = {"from_near_db": reading.from_near_db, "from_far_db": reading.from_far_db}
    given = {name: value for name, value in ends.items() if value is not None}
    if bool(given) == (reading.both_ways_db is not None):
        problem = "holds both ways and their average" if given else "holds no reading"
        return [Fault("no-value", at, "", problem, "from_near_db, from_far_db or both of them; or both_ways_db alone")]
    faults = []
    for name, value in given.items():
        faults += _outside(f"{at}.{name}", value, *ONE_WAY_DB, "dB")
    if not faults and reading.ways == 2:
        name = "both_ways_db" if reading.both_ways_db is not None else "both ways, averaged"
        average = reading.both_ways_db if reading.both_ways_db is not None else sum(given.values()) / 2.0
        faults += _outside(f"{at}.{name}", average, *BOTH_WAYS_DB, "dB")
    return faults


def _outside(name: str, value: object, low: float, high: float, unit: str) -> list[Fault]:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return [Fault("not-a-number", name, shown(value), "is not a finite number", f"{low:g} to {high:g}", unit)]
    if low <= value <= high:
        return []
    return [Fault("out-of-range", name, shown(value), "is out of range", f"{low:g} to {high:g}", unit)]


def _not_carried(nm: object, carried: Sequence[int]) -> Fault:
    allowed = ", ".join(str(one) for one in carried)
    return Fault("unknown-word", "readings.nm", shown(nm), "is no wavelength that the fibre carries", allowed, "nm")
