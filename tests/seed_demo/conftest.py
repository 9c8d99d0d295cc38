import pytest

from seed_demo.community import draw_community


@pytest.fixture(scope="session")
def community():
    return draw_community()
