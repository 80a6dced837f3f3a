"""The measured delay covers the true one and not much more; a camera that sees nothing says so."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from projector.light.latency import NotSeen, measure_latency
from vision.frames.cameras import Frame

Picture = NDArray[np.uint8]


class Chain:
    """Projector, camera and clock in one: what was shown is seen `delay_s` later, fading over `fade_s`. Generated."""

    size_px = (64, 36)

    def __init__(self, delay_s: float, fade_s: float = 0.0, frame_s: float = 1 / 30, seen: float = 1.0) -> None:
        self._delay_s, self._fade_s, self._frame_s, self._seen = delay_s, fade_s, frame_s, seen
        self._now_s = 100.0
        self._shown = [(0.0, 0.0)]
        self._rng = np.random.default_rng(3)

    def now_s(self) -> float:
        return self._now_s

    def wait_s(self, seconds: float) -> None:
        self._now_s += seconds

    def show(self, picture: Picture) -> None:
        self._shown.append((self._now_s, float(picture.mean()) / 255.0))

    def keys(self) -> list[str]:
        return []

    def close(self) -> None: ...

    def read(self) -> Frame:
        self._now_s += self._frame_s
        share = self._level(self._now_s)
        light = np.full((90, 160), 40.0) + self._rng.normal(0.0, 1.0, (90, 160))
        light[:45, :40] += 120.0 * share * self._seen  # an eighth of the picture
        return Frame(np.repeat(light.round().astype(np.uint8)[..., None], 3, axis=2), self._now_s)

    def _level(self, t_s: float) -> float:
        level = 0.0
        for shown_s, value in self._shown:
            since_s = t_s - shown_s - self._delay_s
            done = since_s / self._fade_s if self._fade_s else float(since_s >= 0.0)
            level += (value - level) * min(max(done, 0.0), 1.0)
        return level


def measured(chain: Chain) -> float:
    latency = measure_latency(chain, chain, chain)
    assert isinstance(latency, float)
    return latency


@pytest.mark.parametrize("frame_s", [1 / 60, 1 / 30, 1 / 9])
@pytest.mark.parametrize(("delay_s", "fade_s"), [(0.001, 0.0), (0.12, 0.0), (0.31, 0.0), (0.1, 0.15)])
def test_the_delay_is_covered_and_by_no_more_than_three_frames(delay_s: float, fade_s: float, frame_s: float) -> None:
    latency = measured(Chain(delay_s, fade_s, frame_s))
    assert delay_s + 0.9 * fade_s < latency < delay_s + fade_s + 3.0 * frame_s


@pytest.mark.parametrize("seen", [0.0, 0.02])
def test_a_camera_that_sees_no_blink_says_so(seen: float) -> None:
    assert isinstance(measure_latency(*[Chain(0.1, seen=seen)] * 3), NotSeen)


def test_light_that_comes_too_late_is_not_seen() -> None:
    assert isinstance(measure_latency(*[Chain(5.0)] * 3), NotSeen)


def test_it_takes_a_few_seconds() -> None:
    chain = Chain(0.1)
    measured(chain)
    assert chain.now_s() - 100.0 < 5.0
