"""The fixtures of :mod:`delivery.office`, for all tests here, and both databases."""

from store.conftest import database_url, empty, engine

from delivery.office import advised, delivering, desk, facts_sources, holds_min

__all__ = ["advised", "database_url", "delivering", "desk", "empty", "engine", "facts_sources", "holds_min"]
