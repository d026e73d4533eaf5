import pytest
from hypothesis import settings
from webhook_receiver import receiving
from webhook_sender import NOW

# A machine that does other work as well must not fail a property for being slow.
settings.register_profile("webhook", deadline=None)
settings.load_profile("webhook")


@pytest.fixture
def now():
    return NOW


@pytest.fixture
def receiver():
    with receiving() as one:
        yield one
