"""How often the check of the devices finds what is wrong, and how often something that is not there.

    python -m tests.measure.devicecheck [--seeds N] [--case WORDS] [--width W]

Every row is one quirk of the virtual table over N tables (20 unless told). The pictures are generated.
"""

from __future__ import annotations

import argparse
import io
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

from projector.light.latency import measure_latency
from projector.rehearsal.devices import VirtualCamera, VirtualClock, VirtualDisplay
from projector.rehearsal.light.curves import Curve
from projector.rehearsal.light.wheel import Wheel
from projector.rehearsal.person.person import Work
from projector.rehearsal.quirks import CameraQuirks, MatQuirks, ProjectorQuirks, Quirks
from projector.rehearsal.setting import setting_of
from projector.rehearsal.world import VirtualTable
from projector.setup.devicecheck import DeviceReport, check_devices
from projector.table.devices import Table
from projector.telling.events import Teller

Size = tuple[int, int]
HD: Size = (1920, 1080)


def camera(**keys: object) -> Quirks:
    return Quirks(camera=replace(CameraQuirks(), **keys))


def projector(**keys: object) -> Quirks:
    return Quirks(projector=replace(ProjectorQuirks(), **keys))


def mat(**keys: object) -> Quirks:
    return Quirks(mat=replace(MatQuirks(), **keys))


def _overscan(share: float) -> Quirks:
    """A camera that sees two sides of the field's rim."""
    return Quirks(CameraQuirks(quarter_turns=1), ProjectorQuirks(overscan=share))


# What must be found; nothing where the table is only unusual.
CASES: dict[str, tuple[Quirks, tuple[str, ...]]] = {
    "plain": (Quirks(), ()),
    "camera turned by 90 degrees": (camera(quarter_turns=1), ()),
    "wide lens": (camera(k1=-0.35), ()),
    "camera out of focus": (camera(blur_px=3.0), ()),
    "camera's curve a power of 2.2": (camera(curve=Curve(2.2)), ()),
    "camera's curve an S": (camera(curve=Curve(contrast=0.4)), ()),
    "camera sharpens": (camera(sharpening=0.6), ()),
    "projector upside down": (projector(quarter_turns=2), ()),
    "projector sideways": (projector(quarter_turns=1), ()),
    "projector's lens shifted": (projector(lens_shift=1.1), ()),
    "projector tilted by 30 degrees": (projector(tilt_rad=0.5236), ()),
    "projector's black not black": (projector(contrast=200.0), ()),
    "projector's curve a power of 2.6": (projector(curve=Curve(2.6)), ()),
    "green mat": (mat(look="green"), ()),
    "red mat": (mat(look="red"), ()),
    "light mat": (mat(look="light"), ()),
    "mat without grid": (mat(grid=False), ()),
    "glossy mat": (mat(gloss=2.0), ()),
    "wheel of 180 Hz, driver obeys": (projector(wheel=Wheel(1 / 180)), ()),
    "exposes by itself, driver obeys": (camera(auto_exposure=True), ()),
    "exposes by itself": (camera(auto_exposure=True, deaf=True), ("exposure",)),
    "balances white by itself": (camera(auto_white=True, deaf=True), ("colour",)),
    "focuses by itself": (camera(autofocus=True, deaf=True), ("focus",)),
    "projector mirrored": (projector(mirrored=True), ("mirrored",)),
    "camera mirrored": (camera(mirrored=True), ("mirrored",)),
    "digital keystone of 1 %": (projector(trapezoid=0.01), ("resampled",)),
    "digital keystone of 10 %": (projector(trapezoid=0.1), ("resampled",)),
    "overscan of 2 %, rim out of sight": (projector(overscan=0.02), ("resampled",)),
    "overscan of 2 %, rim in sight": (_overscan(0.02), ("overscan",)),
    "overscan of 5 %, rim in sight": (_overscan(0.05), ("overscan",)),
    "digital keystone of 3 %, rim in sight": (
        Quirks(CameraQuirks(quarter_turns=1), ProjectorQuirks(trapezoid=0.03)),
        ("resampled",),
    ),
    "lamp follows the picture": (projector(dynamic=0.3), ("dynamic_lamp",)),
    "wheel of 100 Hz, driver obeys": (projector(wheel=Wheel(1 / 100)), ()),
    "wheel of 100 Hz, driver ignores": (
        Quirks(CameraQuirks(deaf=True), ProjectorQuirks(wheel=Wheel(1 / 100))),
        ("flicker",),
    ),
    "the same with a rolling shutter": (
        Quirks(CameraQuirks(deaf=True, readout_s=0.03), ProjectorQuirks(wheel=Wheel(1 / 100))),
        ("flicker",),
    ),
}


def report(seed: int, quirks: Quirks, camera_px: Size = HD, projector_px: Size = HD) -> DeviceReport:
    """Check the devices of one virtual table."""
    clock = VirtualClock()
    world = VirtualTable(setting_of(seed, camera_px, projector_px, quirks), Work(), seed)
    table = Table(VirtualCamera(world, clock), VirtualDisplay(world, clock), clock, _silent(clock))
    latency = measure_latency(table.display, table.camera, clock)
    if isinstance(latency, float):
        table.latency_s = latency
    return check_devices(table)


def _silent(clock: VirtualClock) -> Teller:
    return Teller(clock, True, io.StringIO(), io.StringIO())


def row(name: str, seeds: range, size_px: Size, say: Callable[[str], None]) -> None:
    """One line of the table."""
    quirks, wanted = CASES[name]
    reports = [report(seed, quirks, size_px, size_px) for seed in seeds]
    found = Counter(fault.what for one in reports for fault in one.faults)
    others = ", ".join(f"{what} {n}" for what, n in found.items() if what not in wanted) or "-"
    hits = ", ".join(f"{what} {found[what]}" for what in wanted) or "-"
    left = max((one.flicker.worst for one in reports if one.flicker), default=float("nan"))
    say(f"| {name} | {hits} | {others} | {left:.2%} |")


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--seeds", type=int, default=20)
    reader.add_argument("--case", help="only rows that contain this")
    reader.add_argument("--width", type=int, default=HD[0], help="of both devices' pictures, in pixels")
    told = reader.parse_args()
    seeds = range(1, told.seeds + 1)
    print(f"| of {told.seeds} tables | found | false alarms | flicker left, worst |\n| --- | --- | --- | --- |")
    for name in CASES:
        if not told.case or told.case in name:
            row(name, seeds, (told.width, told.width * 9 // 16), lambda line: print(line, flush=True))


if __name__ == "__main__":
    main()
