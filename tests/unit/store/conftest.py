import sys
from pathlib import Path

import pytest

from campledger.store import open_store

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "s.db"


@pytest.fixture
def store(path):
    with open_store(path, "daemon", create=True) as opened:
        yield opened
