"""Tickets in and notes out as files in a folder: for a system that can do nothing else.

:mod:`.source` fetches event files, :mod:`.event_file` reads them, :mod:`.ready` says which are whole, :mod:`.carrier`
writes notes, :mod:`.folder` is the only place that touches files.
"""

from repairadvisor_spool.carrier import SpoolCarrier
from repairadvisor_spool.source import SpoolSource

__all__ = ["SpoolCarrier", "SpoolSource"]
