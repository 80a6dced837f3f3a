"""What is captured outlives the program. No outside source: the file format is the project's own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calibration.beam.mesh import Mesh
from calibration.sheet.corners import SheetView
from calibration.tone import SRGB
from projector.setup.captures import About, Captures, CapturesError, folder_of, open_captures

ABOUT = About("charuco:8x6:30mm:22mm:DICT_5X5_100", (1920, 1080), (1280, 800), (("bar_along_mm", 275.1),))


def view(name: str, blur_px: float = 0.7) -> SheetView:
    ids = np.array([3, 5, 8], np.int64)
    corners = np.array([[30.0, 60.0], [90.0, 60.5], [120.0, 1.0 / 3.0]])
    return SheetView(name, ids, corners, corners * 1.7 + 0.1, np.array([0.01, 0.02, 0.03]), blur_px)


def mesh() -> Mesh:
    rng = np.random.default_rng(4)
    return Mesh(rng.uniform(0, 1900, (5, 2)), rng.uniform(0, 1200, (5, 2)), rng.uniform(0.01, 0.1, (5, 2)))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return folder_of(tmp_path / "rig.json")


@pytest.fixture
def kept(folder: Path) -> Captures:
    captures = Captures(folder)
    captures.begin(ABOUT)
    captures.keep_view("sheet_flat", view("flat 1"))
    captures.keep_view("sheet_tilted", view("tilted 1", float("nan")))
    captures.keep_view("sheet_flat", view("flat 2"))
    return captures


def test_what_was_kept_is_read_again_to_the_last_bit(kept: Captures, folder: Path) -> None:
    kept.keep_tone(SRGB)
    kept.keep_patterns(mesh())
    again = open_captures(folder)
    assert again.about == ABOUT
    assert [one.name for one in again.views["sheet_flat"]] == ["flat 1", "flat 2"]
    had, has = kept.views["sheet_flat"][0], again.views["sheet_flat"][0]
    for name in ("ids", "corners_sheet_mm", "corners_px", "corners_u_px"):
        assert np.array_equal(getattr(had, name), getattr(has, name)), name
    assert has.blur_px == 0.7
    assert np.isnan(again.views["sheet_tilted"][0].blur_px)
    assert again.patterns is not None
    assert again.tone is not None
    for name in ("camera_px", "projector_px", "u_px"):
        assert np.array_equal(getattr(mesh(), name), getattr(again.patterns, name)), name
    assert np.array_equal(again.tone.linear_of_byte, SRGB.linear_of_byte)


def test_a_view_that_was_dropped_is_not_read_again(kept: Captures, folder: Path) -> None:
    kept.drop_view("sheet_flat", kept.views["sheet_flat"][0])
    kept.keep_view("sheet_flat", view("flat 3"))
    names = [one.name for one in open_captures(folder).views["sheet_flat"]]
    assert names == [one.name for one in kept.views["sheet_flat"]] == ["flat 2", "flat 3"]


def test_a_new_beginning_leaves_the_old_views_until_it_has_one_of_its_own(kept: Captures, folder: Path) -> None:
    anew = open_captures(folder)
    anew.begin(ABOUT)
    assert anew.empty
    assert len(open_captures(folder).views["sheet_flat"]) == 2
    anew.keep_view("sheet_flat", view("flat 9"))
    assert [one.name for one in open_captures(folder).views["sheet_flat"]] == ["flat 9"]
    assert open_captures(folder).views["sheet_tilted"] == []


def test_removing_takes_only_what_is_ours(kept: Captures, folder: Path) -> None:
    (folder / "notes.txt").write_text("mine")
    kept.remove()
    assert [path.name for path in folder.iterdir()] == ["notes.txt"]
    assert open_captures(folder).empty


@pytest.mark.parametrize(
    ("about", "says"),
    [
        (About("chessboard:9x6:25mm", ABOUT.camera_px, ABOUT.projector_px), "board charuco"),
        (About(ABOUT.board, (1280, 720), ABOUT.projector_px), "camera size 1920x1080, now it is 1280x720"),
        (About(ABOUT.board, ABOUT.camera_px, (1920, 1080)), "projector size 1280x800"),
    ],
)
def test_captures_of_something_else_are_not_gone_on_with(kept: Captures, folder: Path, about: About, says: str) -> None:
    with pytest.raises(CapturesError, match=says):
        open_captures(folder).check(about)


def test_nothing_kept_is_told(folder: Path) -> None:
    with pytest.raises(CapturesError, match="nothing is kept there; leave --resume out"):
        open_captures(folder).check(ABOUT)


@pytest.mark.parametrize("damage", ["{", "[]", '{"kind": "chalkbeam captures"}'])
@pytest.mark.parametrize("name", ["about.json", "sheet_flat_01.json"])
def test_a_damaged_file_is_told(kept: Captures, folder: Path, name: str, damage: str) -> None:
    (folder / name).write_text(damage)
    with pytest.raises(CapturesError, match=f"{name}: damaged; leave --resume out"):
        open_captures(folder)


def test_half_a_file_is_never_read(kept: Captures, folder: Path) -> None:
    """What a power cut leaves of a file that was being written."""
    (folder / ".sheet_flat_07.json.part").write_text('{"name": "fl')
    assert len(open_captures(folder).views["sheet_flat"]) == 2
