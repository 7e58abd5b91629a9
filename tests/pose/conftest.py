from __future__ import annotations

import pytest

from midstance.pose.runtime import Network, shared_network


@pytest.fixture(scope="session")
def landmarks() -> Network:
    """The landmark network on the preferred runtime."""
    return shared_network("landmarks")


@pytest.fixture(scope="session")
def detector() -> Network:
    """The person detector on the preferred runtime."""
    return shared_network("detector")
