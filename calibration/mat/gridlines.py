"""The printed grid of a mat: which pitch, which direction, where its lines are."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.mat.flatmap import FlatMap, Plane

Floats = NDArray[np.float64]

PITCHES_MM = (25.4, 12.7, 50.8, 10.0, 20.0, 50.0)  # inch and centimetre rulings in use
STRETCH = 0.012  # a wrong scale, or a badly printed grid
WINDOW = 31  # cells: what varies more slowly is no line
CLEARLY = 6.0  # times what other periods show
STRIPS = 8
FULL, FUNDAMENTAL = 0.5, 0.2  # of the strongest; of the overtone
LEAST_LINES = 4
LEAST_U_MM = 0.03  # what the map's cells leave


@dataclass(frozen=True, slots=True)
class Ruling:
    """Parallel lines in turned axes: across = phase_mm + slope * (along - middle_mm) + k * pitch_mm."""

    pitch_mm: float
    nominal_mm: float
    phase_mm: float  # of the line nearest to the map's middle
    slope: float
    middle_mm: float
    u_mm: float


def within(flat: FlatMap, borders_mm: dict[str, float], clear_mm: float = 4.0) -> FlatMap:
    """The map with nothing seen outside of a mat whose rough borders are given by name."""
    light = flat.light.copy()
    rows, columns = (flat.first_mm[k] + flat.pitch_mm * np.arange(light.shape[1 - k]) for k in (1, 0))
    light[rows < borders_mm.get("near", -np.inf) + clear_mm] = np.nan
    light[rows > borders_mm.get("far", np.inf) - clear_mm] = np.nan
    light[:, columns < borders_mm.get("left", -np.inf) + clear_mm] = np.nan
    light[:, columns > borders_mm.get("right", np.inf) - clear_mm] = np.nan
    return replace(flat, light=light)


def rulings(flat: FlatMap) -> tuple[Ruling, Ruling] | None:
    """Lines along y (told by their x), and lines along x, on a map whose axes go nearly along them; None without."""
    upright = _ruling(_lines_alone(flat.light, 1), flat.first_mm[0], flat.first_mm[1], flat.pitch_mm)
    level = _ruling(_lines_alone(flat.light, 0).T, flat.first_mm[1], flat.first_mm[0], flat.pitch_mm)
    return None if upright is None or level is None else (upright, level)


def _lines_alone(light: Plane, axis: int) -> Plane:
    """Brightness less its own blur across the lines; 0 where nothing is seen."""
    grey = light.mean(axis=2)
    hidden = ~np.isfinite(grey)
    root = np.sqrt(np.clip(np.nan_to_num(grey), 0.0, None))
    size = (1, WINDOW) if axis == 0 else (WINDOW, 1)
    seen = (~hidden).astype(np.float32)
    high = root - cv2.blur(root, size) / np.maximum(cv2.blur(seen, size), 1e-3)
    high[cv2.dilate(hidden.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0] = 0.0
    limit = 4.0 * np.median(np.abs(high[high != 0])) + 1e-6 if np.any(high) else 1.0
    return np.asarray(np.clip(high, -limit, limit), np.float32)  # a border must not outweigh thirty lines


def _ruling(high: Plane, first_across_mm: float, first_along_mm: float, cell_mm: float) -> Ruling | None:
    """`high` (along, across): pitch by the strongest period, phase and slope from strips."""
    centre = first_across_mm + cell_mm * (high.shape[1] - 1) / 2  # from here, so that a wrong pitch shifts no line much
    across: Floats = first_across_mm - centre + cell_mm * np.arange(high.shape[1], dtype=np.float64)
    profile = high.sum(axis=0)
    strength, pitch, nominal = _best_pitch(profile, across)
    noise = float(np.median([_strength(profile, across, p) for p in np.linspace(7.0, 60.0, 107)]))
    if strength < CLEARLY * noise or np.ptp(across) < LEAST_LINES * pitch:
        return None
    edges = np.linspace(0, len(high), STRIPS + 1).astype(int)
    waves = np.array([_wave(high[a:b].sum(axis=0), across, pitch) for a, b in pairwise(edges)])
    along = first_along_mm + cell_mm * (edges[:-1] + edges[1:] - 1) / 2
    whole = waves.sum()
    offs = np.angle(waves / whole) * pitch / (2 * np.pi)
    weights = np.abs(waves)
    middle = float(np.average(along, weights=weights))
    slope = float(np.sum(weights * (along - middle) * offs) / np.sum(weights * (along - middle) ** 2))
    rest = offs - slope * (along - middle)
    phase = float(centre + np.angle(whole) * pitch / (2 * np.pi) + np.average(rest, weights=weights))
    rest = rest - np.average(rest, weights=weights)
    u = float(np.sqrt(np.average(rest**2, weights=weights) / STRIPS)) + LEAST_U_MM
    return Ruling(pitch, nominal, phase, slope, middle, u)


def _best_pitch(profile: Plane, across: Floats) -> tuple[float, float, float]:
    """Strength, pitch as it is and in name: the longest of those as strong as any.

    Every other line of a ruling is one too, and its overtones are as strong; only a true pitch has a fundamental.
    """
    found = [(*_strongest(profile, across, nominal), nominal) for nominal in PITCHES_MM]
    least = FULL * max(found)[0]
    true = [
        one
        for one in found
        if one[0] >= least
        and abs(_wave(profile, across, one[1])) > FUNDAMENTAL * abs(_wave(profile, across, one[1] / 2))
    ]
    return max(true, key=lambda one: one[2]) if true else max(found)


def _wave(profile: Plane, across: Floats, pitch: float) -> complex:
    return complex(np.sum(profile * np.exp(2j * np.pi * across / pitch)))


def _strength(profile: Plane, across: Floats, pitch: float) -> float:
    """Of a line pattern: its first two harmonics together, for thin lines have both."""
    return abs(_wave(profile, across, pitch)) + abs(_wave(profile, across, pitch / 2))


def _strongest(profile: Plane, across: Floats, nominal: float) -> tuple[float, float]:
    tried = nominal * np.linspace(1 - STRETCH, 1 + STRETCH, 61)
    sizes = np.array([_strength(profile, across, pitch) for pitch in tried])
    top = int(np.clip(sizes.argmax(), 1, len(tried) - 2))
    a, b, c = sizes[top - 1 : top + 2]  # a parabola through the three highest
    bend = a - 2 * b + c
    shift = float(np.clip(0.5 * (a - c) / bend, -1.0, 1.0)) if bend < 0 else 0.0
    return float(b), float(tried[top] + shift * (tried[1] - tried[0]))
