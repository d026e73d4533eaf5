"""The fixtures of :mod:`delivery.office`, for all tests here."""

from delivery.office import delivering, desk, facts_sources, holds_min

__all__ = ["delivering", "desk", "facts_sources", "holds_min"]
