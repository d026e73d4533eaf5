"""Tickets in and advice out over the open Trouble Ticket API, TMF621 v5.

:mod:`.source` reads tickets, pushed (:mod:`.sender`, :mod:`.notification`) and polled (:mod:`.polling`,
:mod:`.paging`), by the operator's mapping (:mod:`.mapping`). :mod:`.carrier` opens tickets and writes notes
(:mod:`.note_writer`, :mod:`.note_array`). :mod:`.api` is the only place that asks another system, and :mod:`.outcome`
says what its answers mean.
"""

from repairadvisor_tmf621.carrier import Tmf621Carrier
from repairadvisor_tmf621.source import Tmf621Source

__all__ = ["Tmf621Carrier", "Tmf621Source"]
