"""The tones of the verdicts: told apart by pitch and course, quiet, without a click. Pitches by ISO 16."""

from __future__ import annotations

import numpy as np
import pytest

from projector.telling.sounds import JUDGED, KINDS, LOUD, NOTES_HZ, RATE_HZ, Tones, kind_of, tone
from vision.units import Verdict


def pitch_hz(samples: np.ndarray) -> float:
    spectrum = np.abs(np.fft.rfft(samples.astype(float), 1 << 17))
    return float(np.argmax(spectrum) * RATE_HZ / (1 << 17))


def test_good_rises_bad_is_low_and_held_and_doubt_repeats_itself() -> None:
    halves = {kind: np.array_split(tone(kind), 2) for kind in NOTES_HZ}
    heard = {kind: [pitch_hz(half) for half in parts] for kind, parts in halves.items()}
    assert heard["good"] == pytest.approx([659.3, 987.8], rel=0.01)
    assert heard["bad"] == pytest.approx([220.0, 220.0], rel=0.02)
    assert heard["doubt"] == pytest.approx([440.0, 440.0], rel=0.01)
    gap = {kind: np.abs(tone(kind)[len(tone(kind)) // 2 - 20 :][:40]).max() for kind in NOTES_HZ}
    assert gap["doubt"] < 0.05 * 32767 * LOUD < gap["bad"]  # two notes with a breath between, one without


@pytest.mark.parametrize("kind", NOTES_HZ)
def test_every_tone_is_quiet_short_and_begins_and_ends_in_silence(kind: str) -> None:
    samples = tone(kind).astype(float) / 32767
    assert 0.9 * LOUD < np.abs(samples).max() <= LOUD + 1e-3
    assert len(samples) / RATE_HZ < 0.35
    assert np.abs(samples[[0, -1]]).max() < 0.01 * LOUD
    assert np.abs(np.diff(samples)).max() < LOUD * 2 * np.pi * max(NOTES_HZ[kind]) / RATE_HZ * 1.1  # no jump


def test_every_verdict_has_a_tone_and_nothing_else_has() -> None:
    assert set(KINDS) == {verdict.value for verdict in Verdict}
    assert all(kind_of({"event": event, "verdict": "fits"}) == "good" for event in JUDGED)
    assert kind_of({"event": "unit", "verdict": None}) is None
    assert kind_of({"event": "summary", "verdict": "fits"}) is None


def test_it_plays_on_a_dummy_and_is_silent_where_nothing_sounds(monkeypatch: pytest.MonkeyPatch) -> None:
    import pygame

    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy")
    tones = Tones()
    assert tones.heard
    tones.hears({"event": "unit", "verdict": "fits"})
    assert pygame.mixer.get_busy()
    pygame.mixer.quit()
    monkeypatch.setenv("SDL_AUDIODRIVER", "no such driver")
    silent = Tones()
    assert not silent.heard
    silent.hears({"event": "unit", "verdict": "short"})
