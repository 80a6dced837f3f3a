"""Does a camera stay as it is, and does light? Judged from frames of marks that stay while all around them changes.

What helps by itself works against a change, stray light works with it, so signs tell them apart: a camera that exposes
by itself sees the marks' own light fall when the surroundings become bright; one that balances white sees it become
bluer when they become red; a lamp that follows the picture lets it rise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.frames.marks import Sight

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

LEAST_FOLLOWING = 0.06  # change of the logarithm of light that is somebody's doing
LEAST_DIMMING = 0.15  # stray light of bright surroundings does less
LEAST_BREATH = 0.0002  # change of scale: a tenth of a camera pixel between the marks
LEAST_BLURRING = 0.2  # change of the logarithm of sharpness
SETTLED_FRAMES = 6  # the last ones of each state, over which light is averaged
BAND_PX = 12  # rows of a rolling shutter that count as one
GOOD = 0.004  # relative standard deviation of one picture that need not be averaged away
MOST_AVERAGED = 12


@dataclass(frozen=True, slots=True)
class Helping:
    """Changes of marks that stayed the same, natural logarithms but for the scale."""

    exposure: float  # of their light, from black to white surroundings
    balance: float  # of red over blue, from blue to red surroundings
    scale: float  # relative, greatest in any frame
    sharpness: float  # greatest from state to state

    @property
    def exposes(self) -> bool:
        """The camera's exposure follows the picture."""
        return self.exposure < -LEAST_FOLLOWING

    @property
    def balances(self) -> bool:
        """Its balance of white does."""
        return self.balance < -LEAST_FOLLOWING

    @property
    def focuses(self) -> bool:
        """Its focus does; lenses that focus change their scale with it."""
        return abs(self.scale) > LEAST_BREATH or self.sharpness > LEAST_BLURRING

    @property
    def dims(self) -> bool:
        """The projector's lamp follows the picture."""
        return self.exposure > LEAST_DIMMING


def helping(black: Sequence[Sight], white: Sequence[Sight], red: Sequence[Sight], blue: Sequence[Sight]) -> Helping:
    """What changes with the surroundings: frames of each state in order, at least one."""
    states = [black, white, red, blue]
    if not all(states):
        raise ValueError("each state needs a frame")
    light = [_light(state) for state in states]
    scales = _scales([sight for state in states for sight in state])
    sharp = [np.median([sight.sharpness for sight in state[-SETTLED_FRAMES:]], axis=0) for state in states]
    blurring = [float(np.median(np.log(np.maximum(s, 1e-6) / np.maximum(sharp[0], 1e-6)))) for s in sharp]
    colour = light[2] - light[3]
    return Helping(
        exposure=float(np.median((light[1] - light[0]).mean(axis=1))),
        balance=float(np.median(colour[:, 2] - colour[:, 0])),
        scale=float(scales[np.argmax(np.abs(scales))]),
        sharpness=max(blurring) - min(blurring),
    )


def _light(state: Sequence[Sight]) -> Floats:
    """Logarithm of the settled light of each mark, (4, 3)."""
    mean = np.mean([sight.light_bgr for sight in state[-SETTLED_FRAMES:]], axis=0)
    return np.asarray(np.log(np.maximum(mean, 1e-4)))


def _scales(sights: Sequence[Sight]) -> Floats:
    """Relative change of the marks' distances against the first frames', (N,); a covered mark does not matter."""
    first, second = np.triu_indices(4, 1)
    distances = np.array([np.hypot(*(s.centres_px[first] - s.centres_px[second]).T) for s in sights])
    smooth = np.array([np.median(distances[max(k - 2, 0) : k + 1], axis=0) for k in range(len(distances))])
    return np.asarray(np.median(smooth / np.median(distances[:3], axis=0), axis=1) - 1.0)


@dataclass(frozen=True, slots=True)
class Flicker:
    """Relative standard deviations from frame to frame of light that should be even."""

    brightness: float
    colour: float  # of red over green or blue over green, the worse
    rows: float  # of bands of rows, beside the whole picture's: a rolling shutter's

    @property
    def worst(self) -> float:
        return max(self.brightness, self.colour, self.rows)

    @property
    def frames_to_average(self) -> int:
        """So many frames that hardly any of it is left in their mean."""
        return max(1, min(MOST_AVERAGED, math.ceil((self.worst / GOOD) ** 2)))


def banded(linear: Floats32) -> Floats:
    """Mean light (bands, 3) of bands of rows of a part of a frame, (h, w, 3) in linear light."""
    count = max(len(linear) // BAND_PX, 1)
    whole = linear[: count * (len(linear) // count)]
    return np.asarray(whole.reshape(count, -1, 3).mean(axis=1, dtype=np.float64))


def flicker(bands: Sequence[Floats]) -> Flicker:
    """How much even light changes over frames, at least three, each (bands, 3) from `banded`."""
    if len(bands) < 3:
        raise ValueError("flicker needs three frames")
    light = np.log(np.maximum(np.array(bands), 1e-4))  # (frames, bands, 3)
    whole = light.mean(axis=1)
    tint = whole[:, [0, 2]] - whole[:, [1]]
    apart = light - light.mean(axis=0) - (whole - whole.mean(axis=0))[:, None, :]
    green = whole[:, 1]
    return Flicker(
        brightness=float(green.std(ddof=1)),
        colour=float(tint.std(axis=0, ddof=1).max()),
        rows=float(np.sqrt((apart**2).mean(axis=(0, 1)).max())),
    )
