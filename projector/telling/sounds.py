"""A quiet tone beside each verdict: two rising notes for good, a low one for bad, two alike for doubt.

The one module that touches a loudspeaker. Where there is none, nothing is heard and nothing is said of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from projector.light.quietly import imported_pygame

RATE_HZ = 44_100
LOUD = 0.12  # of full scale: heard beside a sewing machine's hum, startling nobody
NOTE_S, FADE_S = 0.13, 0.025  # a note, and how long it swells and dies away: no click
NOTES_HZ: dict[str, tuple[float, ...]] = {
    "good": (659.3, 987.8),  # E5, B5, equal temperament with A4 = 440 Hz (ISO 16)
    "bad": (220.0, 220.0),  # A3, held
    "doubt": (440.0, 440.0),  # A4 twice
}
KINDS = {
    "fits": "good",
    "close": "doubt",
    "look_again": "doubt",
    "trim": "bad",
    "short": "bad",
    "turned_over": "bad",
    "other": "bad",
}
JUDGED = frozenset({"unit", "strip", "block"})  # events that carry a verdict


def kind_of(event: Mapping[str, Any]) -> str | None:
    """Which tone belongs to an event; None for none.

    >>> kind_of({"event": "unit", "verdict": "trim"}), kind_of({"event": "shown", "scene": "done"})
    ('bad', None)
    """
    if _is_refused(event):
        return "doubt"
    return KINDS.get(str(event.get("verdict"))) if event.get("event") in JUDGED else None


def kind_of_reading(event: Mapping[str, Any]) -> str | None:
    """The same where a unit is measured for a study, and its verdict is of no account.

    >>> kind_of_reading({"event": "unit", "verdict": "trim"})
    'good'
    """
    return "good" if event.get("event") == "unit" else kind_of(event)


def _is_refused(event: Mapping[str, Any]) -> bool:
    """A unit that lies there and has no verdict: it is to be laid again."""
    is_unit = (event.get("event"), event.get("what")) == ("refused", "unit")
    return is_unit and event.get("why") != "not_guided"


def tone(kind: str) -> NDArray[np.int16]:
    """The samples of a tone, (N,), at `RATE_HZ`; a held note is one, not two."""
    notes = NOTES_HZ[kind]
    parts = [_note(notes[0], 2 * NOTE_S)] if kind == "bad" else [_note(hertz, NOTE_S) for hertz in notes]
    return np.asarray(np.rint(np.concatenate(parts) * LOUD * 32767), np.int16)


def _note(hertz: float, seconds: float) -> NDArray[np.float64]:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    swell = np.clip(np.minimum(t, seconds - t) / FADE_S, 0.0, 1.0)
    return np.asarray(np.sin(2.0 * np.pi * hertz * t) * np.sin(0.5 * np.pi * swell) ** 2)


class Tones:
    """Hears the app's events and sounds the verdicts among them."""

    def __init__(self, kind_of: Callable[[Mapping[str, Any]], str | None] = kind_of) -> None:
        self._kind_of = kind_of
        self._sounds: dict[str, Any] = {}
        pygame = imported_pygame()
        try:
            pygame.mixer.init(RATE_HZ, -16, 1, 512)
        except pygame.error:
            return
        channels = pygame.mixer.get_init()[2]
        for kind in NOTES_HZ:
            samples = np.repeat(tone(kind)[:, None], channels, axis=1)
            self._sounds[kind] = pygame.mixer.Sound(buffer=np.ascontiguousarray(samples).tobytes())

    @property
    def heard(self) -> bool:
        """Whether there is anything to sound on."""
        return bool(self._sounds)

    def hears(self, event: Mapping[str, Any]) -> None:
        """Sound what belongs to an event, and return at once."""
        sound = self._sounds.get(self._kind_of(event) or "")
        if sound is not None:
            sound.play()
