import pytest
from tests.colour.colour_scenes import FakePhoto


@pytest.fixture
def photo() -> FakePhoto:
    return FakePhoto()
