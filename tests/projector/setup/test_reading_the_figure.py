"""`verify` as the person meets it: what they type is read, side by side with the figure. The table is a virtual one.

What the ruler reads is plane geometry: the figure's own sides, times what the ruler or the sheet is off.
"""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import pytest

from projector.commands import verify
from projector.setup.verifying import NAMES, Seen, compared, figure_of, see_figure

TYPED = {
    "right": (lambda a, b, c: (a, b, c), ()),
    "by a ruler that is 0.8 % short": (lambda a, b, c: (1.008 * a, 1.008 * b, 1.008 * c), ("scale",)),
    "with b read 3 mm too long": (lambda a, b, c: (a, b + 3.0, c), ("reading",)),
}


@pytest.fixture(scope="module")
def seen(calibrated: Any, small_table: Any) -> Seen:
    rig = calibrated.found.rig
    return see_figure(small_table().settled(), rig, figure_of(rig))


def typed_at(room: Any, seen: Seen, text: str, monkeypatch: pytest.MonkeyPatch) -> dict[str, float]:
    monkeypatch.setattr("sys.stdin", io.StringIO(text))
    return verify._asked(room.settled(), seen)


@pytest.mark.parametrize("how", TYPED)
def test_what_is_typed_tells_ruler_sheet_and_rig_apart(
    calibrated: Any, small_table: Any, seen: Seen, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    room, (reading, odd) = small_table(), TYPED[how]
    lines = [f"{name} = {value:.1f} mm\n" for name, value in zip(NAMES, reading(*seen.figure.lengths_mm), strict=True)]
    read_mm = typed_at(room, seen, "".join(lines), monkeypatch)
    assert set(read_mm) == set(NAMES)
    assert compared(replace(calibrated.found.rig, scale_u=0.001), seen, read_mm).odd == odd
    assert [ask["what"] for ask in room.told("ask")] == ["read_figure"]


def test_what_is_no_reading_is_refused_and_asked_no_more(
    small_table: Any, seen: Seen, monkeypatch: pytest.MonkeyPatch
) -> None:
    room = small_table()
    assert typed_at(room, seen, "d = 10 mm\na = long\na = 8 in\n\nb = 3 in\n", monkeypatch) == {"a": 8 * 25.4}
    refused = room.told("refused", "reading")
    assert [one["why"] for one in refused] == ["not_understood"] * 2
    assert "write it like" in refused[0]["do"]
