"""Every error this product raises on purpose, and how they descend.

::

    RepairAdvisorError             slug, and a sentence a stranger can act on
    ├── InputError                 what somebody told us cannot be used; carries every fault at once
    ├── PolicyError                a rule or number of the policy cannot be used; names file and key
    ├── OpticsError                a physical quantity outside the range of its formula
    ├── NotFoundError              what was asked for is not here
    ├── KeyReusedError             something else was asked before under the same idempotency key
    ├── ConflictError              what is asked does not go with how things stand
    ├── SettingsError              the service was started with something it cannot work with
    ├── EventRefusedError          an event that its source cannot be shown to have sent; nothing of it is kept
    ├── EventUnreadableError       an event that says nothing usable of a ticket; it is set aside with this reason
    ├── RemoteUnavailableError     another system could not be asked now; asking again later may do
    └── RemoteRefusedError         another system will not have it, however often it is asked

A single thing that is wrong is a :class:`Fault`; an :class:`InputError` holds all of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with one field.

    ``slug`` is a stable kebab-case word; ``field`` the name as it was written; ``value`` what stood
    there, as text; ``allowed`` the permitted range or words, as text; ``unit`` the unit or ``""``.
    """

    slug: str
    field: str
    value: str
    problem: str
    allowed: str = ""
    unit: str = ""

    def sentence(self) -> str:
        """One line that names field, value, permitted range and unit."""
        line = f"{self.field} = {self.value}: {self.problem}" if self.value else f"{self.field}: {self.problem}"
        if self.allowed:
            line += f"; allowed: {self.allowed}"
        if self.unit:
            line += f" ({self.unit})"
        return line


class RepairAdvisorError(Exception):
    """The root of this tree."""

    slug = "error"


class InputError(RepairAdvisorError):
    """Input that cannot be used. ``faults`` lists everything wrong with it, in the order found."""

    slug = "input"

    def __init__(self, faults: Iterable[Fault], place: str = "", cautions: tuple[str, ...] = ()) -> None:
        self.faults = tuple(faults)
        #: The place the input names, where it names a right one: its standing cautions are owed all the same.
        self.place = place
        self.cautions = cautions
        super().__init__("; ".join(fault.sentence() for fault in self.faults))


class PolicyError(RepairAdvisorError):
    """A policy that cannot be used. ``where`` is "file: key"."""

    slug = "policy"

    def __init__(self, where: str, problem: str, allowed: str = "") -> None:
        self.where = where
        self.problem = problem
        self.allowed = allowed
        super().__init__(f"{where}: {problem}" + (f"; allowed: {allowed}" if allowed else ""))


class OpticsError(RepairAdvisorError):
    """A physical quantity outside the range in which its formula means anything."""

    slug = "optics"

    def __init__(self, quantity: str, value: float, allowed: str, unit: str) -> None:
        self.quantity = quantity
        self.value = value
        self.allowed = allowed
        self.unit = unit
        super().__init__(f"{quantity} = {value}: out of range; allowed: {allowed} ({unit})")


class NotFoundError(RepairAdvisorError):
    """What was asked for by name or id is not here."""

    slug = "not-found"

    def __init__(self, what: str, name: str) -> None:
        self.what = what
        self.name = name
        super().__init__(f"no {what} {name}")


class KeyReusedError(RepairAdvisorError):
    """Something else was asked before under the same idempotency key."""

    slug = "key-reused"

    def __init__(self) -> None:
        super().__init__("something else was asked before under this key")


class ConflictError(RepairAdvisorError):
    """What is asked does not go with how things stand now."""

    slug = "conflict"


class SettingsError(RepairAdvisorError):
    """A setting of the service that it cannot work with."""

    slug = "settings"

    def __init__(self, setting: str, value: str, problem: str, allowed: str = "") -> None:
        self.setting = setting
        self.value = value
        self.problem = problem
        self.allowed = allowed
        stated = f"{setting} = {value}" if value else setting
        super().__init__(f"{stated}: {problem}" + (f"; allowed: {allowed}" if allowed else ""))


class EventRefusedError(RepairAdvisorError):
    """An event whose sender cannot be shown to be the one we know, or that is too old to be believed."""

    slug = "event-refused"


class EventUnreadableError(RepairAdvisorError):
    """An event that came from its source and cannot be read as a ticket, today or later."""

    slug = "event-unreadable"


class RemoteUnavailableError(RepairAdvisorError):
    """Another system could not be asked now. ``retry_after_s`` is the least wait it asked for, if it asked for one.

    Whether what was sent has arrived is not known.
    """

    slug = "remote-unavailable"

    def __init__(self, problem: str, retry_after_s: float | None = None) -> None:
        self.retry_after_s = retry_after_s
        super().__init__(problem)


class RemoteRefusedError(RepairAdvisorError):
    """Another system understood what was sent and will not have it: sending it again as it is does not help."""

    slug = "remote-refused"
