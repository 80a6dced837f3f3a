"""The check of the devices on virtual tables that have one quirk each, or none. The pictures are generated."""

from __future__ import annotations

import pytest

from projector.rehearsal.light.wheel import Wheel
from projector.rehearsal.quirks import CameraQuirks, ProjectorQuirks, Quirks
from projector.setup.devicecheck import DeviceReport
from projector.setup.exposing import EVEN_ENOUGH, WHOLE_PERIODS_S
from tests.measure.devicecheck import CASES, report

SMALL = (960, 540)


def checked(quirks: Quirks, seed: int = 1) -> DeviceReport:
    return report(seed, quirks, SMALL, SMALL)


def codes(found: DeviceReport) -> tuple[str, ...]:
    return tuple(fault.what for fault in found.faults)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_ordinary_table_is_not_accused(seed: int) -> None:
    found = checked(Quirks(), seed)
    assert codes(found) == ()
    assert found.frames_to_average == 1
    assert found.flicker is not None
    assert found.flicker.worst < EVEN_ENOUGH


UNUSUAL = [
    "camera turned by 90 degrees",
    "camera's curve an S",
    "camera out of focus",
    "projector upside down",
    "projector sideways",
    "projector tilted by 30 degrees",
    "exposes by itself, driver obeys",
]
WRONG = [
    "exposes by itself",
    "balances white by itself",
    "focuses by itself",
    "projector mirrored",
    "camera mirrored",
    "digital keystone of 10 %",
    "overscan of 2 %, rim in sight",
    "lamp follows the picture",
]


@pytest.mark.parametrize("case", UNUSUAL + WRONG)
def test_what_is_wrong_is_named_and_nothing_else(case: str) -> None:
    quirks, wanted = CASES[case]
    assert (wanted == ()) is (case in UNUSUAL)
    found = checked(quirks)
    assert codes(found) == wanted
    assert all("; " in str(fault) and "\n" not in str(fault) for fault in found.faults)


def test_exposure_is_set_to_whole_periods_of_the_light() -> None:
    """1/50 s and 1/20 s hold whole periods of 1/100 s; the camera's own 1/60 s does not."""
    found = checked(Quirks(projector=ProjectorQuirks(wheel=Wheel(1 / 100))))
    assert codes(found) == ()
    assert found.exposure_s in [pytest.approx(s, abs=1e-4) for s in WHOLE_PERIODS_S if (100 * s) % 1 < 1e-9]
    assert found.flicker is not None
    assert found.flicker.worst < 0.005


def test_where_exposure_cannot_be_set_flicker_is_told_and_averaged() -> None:
    found = checked(Quirks(CameraQuirks(deaf=True), ProjectorQuirks(wheel=Wheel(1 / 100))))
    assert codes(found) == ("flicker",)
    assert found.flicker is not None
    assert found.flicker.worst > 0.03
    assert found.frames_to_average > 1
    assert any("does not switch off" in note for note in found.notes)
