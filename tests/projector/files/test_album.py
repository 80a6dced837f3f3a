"""Pictures of a session: which frames are kept, under which names, and what of an earlier one is removed."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from projector.files.album import Album, AlbumError, old_pictures, write_png

SEEN, LIGHT = (np.full((4, 6, 3), level, np.uint8) for level in (50, 200))


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def read(path: Path) -> NDArray[np.uint8]:
    picture = cv2.imread(str(path))
    assert picture is not None
    return np.asarray(picture, np.uint8)


def test_the_first_frame_of_a_scene_is_kept_with_its_light(tmp_path: Path) -> None:
    album = Album(tmp_path)
    album.watches(SEEN, LIGHT)  # nothing was shown yet
    album.hears({"event": "shown", "scene": "cut_unit"})
    album.watches(SEEN, LIGHT)
    album.watches(SEEN, LIGHT)
    assert names(tmp_path) == ["01_cut_unit_camera.png", "01_cut_unit_light.png"]
    assert np.array_equal(read(tmp_path / "01_cut_unit_camera.png"), SEEN)
    assert np.array_equal(read(tmp_path / "01_cut_unit_light.png"), LIGHT)


def test_of_the_sheets_one_flat_and_one_tilted_are_kept(tmp_path: Path) -> None:
    album = Album(tmp_path)
    for what in ("sheet_flat", "sheet_flat", "sheet_tilted", "clear_mat"):
        album.hears({"event": "seen", "what": what})
        album.watches(SEEN, LIGHT)
    assert [name for name in names(tmp_path) if "light" in name] == [
        "01_sheet_flat_light.png",
        "02_sheet_tilted_light.png",
    ]


def test_only_an_albums_own_pictures_are_old_pictures(tmp_path: Path) -> None:
    album = Album(tmp_path)
    album.hears({"event": "shown", "scene": "done"})
    album.watches(SEEN, LIGHT)
    write_png(tmp_path / "102_measured.png", SEEN)
    own = names(tmp_path)
    for name in ("holiday.png", "01_holiday.png", "done_light.png", "01_done_light.jpg", "summary.md"):
        (tmp_path / name).touch()
    assert sorted(path.name for path in old_pictures(tmp_path)) == own


def test_a_folder_that_is_gone_is_told_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(AlbumError, match=r"a\.png: cannot be written .*; give another folder"):
        write_png(tmp_path / "nowhere" / "a.png", SEEN)
