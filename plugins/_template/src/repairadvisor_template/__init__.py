"""Tickets from a ticket desk, and notes into it.

:mod:`.source` reads what the desk sends, :mod:`.carrier` writes notes, :mod:`.asking` is how the desk is asked.
"""

from repairadvisor_template.carrier import DeskCarrier
from repairadvisor_template.source import DeskSource

__all__ = ["DeskCarrier", "DeskSource"]
