"""Looking at the table while a calibration goes on: even light, mean pictures, and the person's patience."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.tone import Tone
from projector.light.latency import REST_S, NotSeen, measure_latency
from projector.table.devices import PACE_S, Still, Table
from vision.light import mean_light

Picture = NDArray[np.uint8]

LAMP = 0.8  # of full white, encoded: bright enough for a short exposure, less than most cameras' clipping
PATIENCE_S = 600.0  # for the person to do what was asked
PAUSE_S = 0.05  # between two looks for a key
SLOTS = 1 << 16  # of linear light, 0 to 1


class CalibratingError(Exception):
    """The table cannot be calibrated; the message says in one line what to do."""


def settle(table: Table) -> None:
    """Measure how late the light is by a blink, announced. Raises CalibratingError where the camera does not see it."""
    announce_flashing(table, "the light blinks, and later shows patterns")
    pause_s = table.pace_s if table.pace_s > REST_S else 0.0
    latency = measure_latency(table.display, table.camera, table.clock, pause_s)
    if isinstance(latency, NotSeen):
        raise CalibratingError(f"{latency.why}; {latency.do}")
    table.latency_s = latency


def announce_flashing(table: Table, what: str, pause_s: float = 0.0) -> None:
    """Say that the light is going to flash, and leave time to look away."""
    slower = "" if table.pace_s > PACE_S else "; --slow slows it down"
    do = f"{what}, three flashes a second at most; look away if flashing light troubles you{slower}"
    table.teller.tell("seen", what="flashing", do=do)
    table.clock.wait_s(pause_s)


def even(size_px: tuple[int, int], level: float) -> Picture:
    """One grey all over, `level` 0 to 1 encoded."""
    return np.full((size_px[1], size_px[0], 3), round(255 * level), np.uint8)


def mean_picture(pictures: Sequence[Picture], tone: Tone) -> Picture:
    """The mean in linear light, encoded again as the camera would."""
    return encoded(mean_light(pictures, tone), tone)


def encoded(light: NDArray[np.float32], tone: Tone) -> Picture:
    """The byte values whose light is nearest: for each pixel the number of middles between bytes' lights below it.

    `np.searchsorted` gives the same in ten times the time. Of each slot of light a table tells how many middles lie
    in lower slots; only the few in its own, hardly ever more than one, are compared.
    """
    middles = (0.5 * (tone.linear_of_byte[1:] + tone.linear_of_byte[:-1])).astype(np.float32)
    slots = (middles * np.float32(SLOTS)).astype(np.int64)
    lower = np.searchsorted(slots, np.arange(SLOTS + 1)).astype(np.uint8)
    found = np.take(lower, (light * np.float32(SLOTS)).astype(np.int64), mode="clip")
    above = np.append(middles, np.float32(np.inf))
    for _ in range(np.bincount(slots).max()):
        found += above[found] < light
    return found


def under_lamp(table: Table, frames: int, tone: Tone) -> Picture:
    """The mean of some pictures under even light."""
    table.throw(even(table.display.size_px, LAMP))
    return mean_picture(table.looks(frames), tone)


def changed(table: Table, unlike: Still | None) -> Still:
    """Wait until the person has done something and all is still; space takes things as they are.

    Raises CalibratingError where nothing happens for ten minutes, or a key ends it.
    """
    return answered(table, unlike, "start again when the sheet is at hand") or table.glance()


def answered(table: Table, unlike: Still | None, do: str) -> Still | None:
    """Wait until the person has done something and all is still; None where space was pressed instead.

    Raises CalibratingError where nothing happens for ten minutes (it says to `do` what), or a key ends it.
    """
    while True:
        still = table.until_still(unlike, PATIENCE_S)
        if still is None:
            raise CalibratingError(f"nothing was laid on the mat for ten minutes; {do}")
        if isinstance(still, Still):
            return still
        end_by_key(still.keys)
        if "space" in still.keys:
            return None


def next_keys(table: Table, until_s: float) -> frozenset[str]:
    """The keys that are pressed next; none where nobody presses any until then."""
    while table.clock.now_s() < until_s:
        if keys := frozenset(table.display.keys()):
            return keys
        table.clock.wait_s(PAUSE_S)
    return frozenset()


def end_by_key(keys: Iterable[str]) -> None:
    """Raises CalibratingError where a key ends the calibration."""
    if {"q", "escape"} & set(keys):
        raise CalibratingError("ended by a key, no rig was written; --resume goes on with what was captured")
