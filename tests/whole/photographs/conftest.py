"""A rig from the photographs of `fixtures/table`, made once by the command for all tests that need one."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.whole.process import FLAT, TILTED, Done, chalkbeam


@pytest.fixture(scope="session")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(tmp_path_factory.mktemp("rig")) / "rig.json"


@pytest.fixture(scope="session")
def calibrated(rig: Path) -> Done:
    done = chalkbeam("calibrate", "--flat", FLAT, "--tilted", TILTED, "--bar", "exact", "-o", rig, "--json")
    assert done.code == 0, done.err
    return done
