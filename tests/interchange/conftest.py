import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.interchange.tables import Desk

MEMORY = Path("/dev/shm")
"""Each import syncs some thirty files; nothing here is about surviving a power cut, so memory will do."""


@pytest.fixture
def desk() -> Iterator[Desk]:
    place = MEMORY if os.access(MEMORY, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="soakrig-test-", dir=place) as folder:
        yield Desk(Path(folder))
