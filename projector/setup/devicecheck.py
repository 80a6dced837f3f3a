"""Do camera and projector show and see what they are told to, and nothing else? Asked at the table, in some seconds.

What helps by itself is switched off through the driver where that can be done, then looked for: drivers lie.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.setup.devicepictures import BLACK, BLUE, COARSE_PX, RED, WHITE, checker, discs_px, even, marks, rim
from projector.setup.exposing import Exposure, match_exposure
from projector.table.devices import Table
from vision.frames.cameras import Automatic, switch_off_automatics
from vision.frames.marks import Marks, Sight, find_marks, look_at, mirrored
from vision.frames.steadiness import SETTLED_FRAMES, Flicker, helping
from vision.lamplight.beats import resampling
from vision.lamplight.fieldrim import rim_seen
from vision.light import mean_light

Floats32 = NDArray[np.float32]
Picture = NDArray[np.uint8]

SPREADS = (1.0, 0.6)  # of the marks; the camera need not see all of the projector's picture
FOLLOWED_S = 0.8  # what helps by itself has followed a change of the picture by then
AVERAGED = 2
MOST_FLICKER = 0.03  # relative standard deviation that averaging deals with


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that a device does by itself, or wrongly, and what the person can do about it."""

    what: str  # a short code: exposure, colour, focus, ...
    why: str
    do: str

    def __str__(self) -> str:
        return f"{self.why}; {self.do}"


@dataclass(frozen=True, slots=True)
class DeviceReport:
    """What was found. `flicker` is None where a fault kept it from being measured."""

    faults: tuple[Fault, ...]
    flicker: Flicker | None
    frames_to_average: int
    exposure_s: float | None
    notes: tuple[str, ...]


UNSEEN = Fault(
    "unseen",
    "the camera does not see the four dark discs that the projector shows",
    "clear the mat, take hands and things out of the light, and point the camera so that it sees the whole mat",
)
EXPOSES = Fault(
    "exposure",
    "the camera brightens and darkens its picture by itself",
    "set its exposure to manual in the camera's own settings program",
)
BALANCES = Fault(
    "colour",
    "the camera changes its colours with what it sees",
    "set its white balance to manual in the camera's own settings program",
)
FOCUSES = Fault(
    "focus",
    "the camera focuses by itself, which changes the size of its picture",
    "set its focus to manual in the camera's own settings program",
)
DIMS = Fault(
    "dynamic_lamp",
    "the projector dims its lamp for dark pictures",
    "switch off dynamic contrast, auto iris and eco dimming in the projector's menu",
)
MIRRORED = Fault(
    "mirrored",
    "the camera sees the projector's picture mirrored",
    "set the projector to front projection in its menu, or switch off mirroring of the camera's picture",
)
OVERSCAN = Fault(
    "overscan",
    "the projector cuts off the edges of its picture and blows up the rest",
    "switch off overscan and digital zoom in the projector's menu; the picture must fit dot by dot",
)
RESAMPLES = Fault(
    "resampled",
    "the projector resamples its picture, by digital keystone, zoom, overscan or a resolution not its own",
    "switch these off in its menu, choose its native resolution, and move the projector instead",
)
TOO_BRIGHT = Fault(
    "overexposed",
    "the mat in the projector's white is too bright for the camera",
    "lower the camera's exposure or gain",
)
TOO_DARK = Fault(
    "underexposed",
    "the mat in the projector's white is too dark for the camera",
    "raise the camera's exposure, open its aperture, or bring more light from the projector",
)


def check_devices(table: Table, paper_in_view: bool = False) -> DeviceReport:
    """Look for all that devices do by themselves; exposure is matched to the light on the way. Raises CameraError.

    What a camera does by itself spoils every other look: where it does, that alone is reported.
    """
    not_held = _switch_off(table)
    found = _find_marks(table)
    if found is None:
        return DeviceReport((UNSEEN,), None, 1, None, _held(not_held))
    helps = _helping(table, found)
    if helps:
        return DeviceReport(helps, None, 1, None, (*_held(not_held), "what else there may be is looked for after that"))
    exposure = match_exposure(table, found.marks.box(), paper_in_view)
    faults = (*_of_exposure(exposure), *_of_geometry(table, found))
    left = exposure.flicker
    return DeviceReport(faults, left, left.frames_to_average, exposure.seconds, (*_held(not_held), _said(exposure)))


def _switch_off(table: Table) -> tuple[Automatic, ...]:
    """Hold the automatics where they stand in the projector's light, not in the dark; what could not be held."""
    table.throw(even(table.display.size_px, WHITE))
    table.clock.wait_s(FOLLOWED_S)
    table.looks(AVERAGED)
    return switch_off_automatics(table.camera)


@dataclass(frozen=True, eq=False, slots=True)
class _Found:
    """The marks in the camera's picture, and how far they were spread in the projector's."""

    marks: Marks
    spread: float


def _find_marks(table: Table) -> _Found | None:
    """Marks as far apart as the camera sees them."""
    size_px = table.display.size_px
    for spread in SPREADS:
        without, discs = (_mean(table, marks(size_px, WHITE, spread, shown), FOLLOWED_S) for shown in (False, True))
        found = find_marks(without, discs)
        if found is not None:
            return _Found(found, spread)
    return None


def _helping(table: Table, found: _Found) -> tuple[Fault, ...]:
    """What changes in the marks when their surroundings change."""
    size_px = table.display.size_px
    colours = (WHITE, BLACK, RED, BLUE)
    white, black, red, blue = (_watched(table, marks(size_px, c, found.spread), found.marks) for c in colours)
    seen = helping(black, white, red, blue)
    said = {EXPOSES: seen.exposes, BALANCES: seen.balances, FOCUSES: seen.focuses, DIMS: seen.dims}
    return tuple(fault for fault, is_so in said.items() if is_so)


def _watched(table: Table, picture: Picture, found: Marks) -> list[Sight]:
    """The marks once whatever follows the picture has had its time."""
    table.throw(picture)
    table.clock.wait_s(FOLLOWED_S)
    return [look_at(pixels, found) for pixels in table.looks(SETTLED_FRAMES)]


def _of_exposure(exposure: Exposure) -> tuple[Fault, ...]:
    faults = []
    if exposure.too_bright:
        faults.append(TOO_BRIGHT)
    if exposure.too_dark:
        faults.append(TOO_DARK)
    if exposure.flicker.worst > MOST_FLICKER:
        faults.append(_flickers(exposure))
    return tuple(faults)


def _flickers(exposure: Exposure) -> Fault:
    by_itself = "no exposure that was tried cures it" if exposure.set_by_us else "its driver takes no exposure"
    return Fault(
        "flicker",
        f"the projector's light flickers by {exposure.flicker.worst:.0%} in the camera's pictures, {by_itself}",
        "set the camera's exposure to 1/60 s or 1/50 s by hand, and switch off the projector's brilliant-colour modes",
    )


def _of_geometry(table: Table, found: _Found) -> tuple[Fault, ...]:
    """Mirrored, resampled, or cut off at the rim."""
    faults = [MIRRORED] if mirrored(found.marks, discs_px(table.display.size_px)) else []
    native = _is_native(table)
    if native is False:
        faults.append(OVERSCAN if _rim_is_cut(table, found) else RESAMPLES)
    return tuple(faults)


def _is_native(table: Table) -> bool | None:
    size_px = table.display.size_px
    single, double, coarse = (
        (_grey(table, checker(size_px, cell, False)), _grey(table, checker(size_px, cell, True)))
        for cell in (1, 2, COARSE_PX)
    )
    judged = resampling(single, double, coarse)
    return None if judged is None else judged.native


def _rim_is_cut(table: Table, found: _Found) -> bool:
    size_px = table.display.size_px
    line, black, white = (
        _grey(table, picture) for picture in (rim(size_px), even(size_px, BLACK), even(size_px, WHITE))
    )
    shares = (discs_px(size_px, found.spread) / np.array(size_px)).astype(np.float32)
    from_shares = cv2.getPerspectiveTransform(shares, found.marks.centres_px.astype(np.float32))
    seen = rim_seen(line, black, white, np.asarray(from_shares, np.float64))
    return seen is not None and seen < 0.5


def _grey(table: Table, picture: Picture) -> Floats32:
    return np.asarray(_mean(table, picture).mean(axis=2), np.float32)


def _mean(table: Table, picture: Picture, after_s: float = 0.0) -> Floats32:
    """The mean of some frames of a picture, (h, w, 3) in linear light, after some time in it."""
    table.throw(picture)
    table.clock.wait_s(after_s)
    return mean_light(table.looks(AVERAGED))


def _held(not_held: tuple[Automatic, ...]) -> tuple[str, ...]:
    if not not_held:
        return ()
    names = ", ".join(what.value for what in not_held)
    return (f"the camera's driver does not switch off: {names}",)


def _said(exposure: Exposure) -> str:
    spoken = "" if exposure.seconds is None else f", exposure {exposure.seconds * 1000:.1f} ms"
    return f"light flickers by {exposure.flicker.worst:.2%} from picture to picture{spoken}"
