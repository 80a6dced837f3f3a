"""Wrong input: one line on standard error that says what to do, exit code 2, and no traceback."""

from __future__ import annotations

import struct
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.whole.process import DEMO, EMPTY, FLAT, PHOTOGRAPH, TABLE, TILTED, Done, refused, refused_here

TABLESIDE = ("calibrate", "-o", "{tmp}/rig.json")
PHOTOS = ("calibrate", "-o", "{tmp}/rig.json", "--flat", FLAT, "--tilted", TILTED)
CHECK = ("check", str(PHOTOGRAPH), "--rig", "{rig}")
NO_SCREEN = {"SDL_VIDEODRIVER": "", "DISPLAY": "", "WAYLAND_DISPLAY": ""}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((*TABLESIDE, "--camera", "97", "--display", "0"), "camera 97"),
        ((*TABLESIDE, "--camera", "no/such/film.mp4", "--display", "0"), "no/such/film.mp4"),
        ((*TABLESIDE, "--camera", str(TABLE), "--display", "one"), "--display"),
        (TABLESIDE, "--camera and --display"),
        ((*TABLESIDE, "--flat", "nothing_*.jpg"), "nothing_*.jpg"),
        ((*TABLESIDE, "--flat", "{tmp}/words.jpg"), "words.jpg"),
        ((*TABLESIDE, "--flat", EMPTY), "board is not seen"),
        ((*TABLESIDE, "--flat", FLAT, "{tmp}/small.png"), "small.png is 96x64"),
        ((*PHOTOS, "--board", "charuco:8x6:30mm:22mm:DICT_9X9"), "DICT_9X9"),
        ((*PHOTOS, "--board", "checkers"), "checkers"),
        ((*PHOTOS, "--sheet-thickness", "0.1"), "--sheet-thickness"),
        (("calibrate", "--flat", FLAT, "-o", "{tmp}/no/such/rig.json"), "cannot be written"),
        (("calibrate", "--flat", FLAT, "-o", "{tmp}/words.jpg/rig.json"), "cannot be written"),
        (("calibrate", "--flat", FLAT, "-o", "{tmp}"), "cannot be written"),
        (("calibrate", "--flat", FLAT), "-o"),
        (("check", "{tmp}/nowhere.jpg", "--rig", "{rig}"), "nowhere.jpg"),
        (("check", "{tmp}/words.jpg", "--rig", "{rig}"), "words.jpg"),
        (("check", "{tmp}/nothing.png", "--rig", "{rig}"), "empty"),
        (("check", "{tmp}/cut_short.jpg", "--rig", "{rig}"), "cut_short.jpg"),
        (("check", "{tmp}/half.jpg", "--rig", "{rig}"), "half.jpg: no picture that can be read, or only part of one"),
        (("check", "{tmp}/giant.bmp", "--rig", "{rig}"), "giant.bmp: 20000 x 20000 pixels are too many"),
        (("check", "{tmp}/small.png", "--rig", "{rig}"), "96x64"),
        (("check", str(PHOTOGRAPH), "--rig", "{tmp}/nowhere.json"), "nowhere.json"),
        (("check", str(PHOTOGRAPH), "--rig", "{tmp}/words.jpg"), "not a rig file"),
        (("check", str(PHOTOGRAPH), "--rig", "{tmp}/damaged.json"), "damaged"),
        (("check", str(PHOTOGRAPH), "--rig", "{tmp}/newer.json"), "newer"),
        ((*CHECK, "--empty", "{tmp}/small.png"), "96x64"),
        ((*CHECK, "--expect", "circle(4 in)"), "circle(4 in)"),
        ((*CHECK, "--expect", "square(4 1/0 in)"), "fraction cannot end in 0"),
        ((*CHECK, "--expect", f"{DEMO}:ripple"), "ripple"),
        ((*CHECK, "--expect", "{tmp}/nowhere.toml:wave"), "nowhere.toml"),
        ((*CHECK, "--expect", "{tmp}/wrong.toml:wave"), 'tolerance = "4 1/0 in"'),
        ((*CHECK, "--tolerance", "1/32"), "--tolerance"),
        ((*CHECK, "--angle-tolerance", "1/2 in"), "--angle-tolerance"),
        ((*CHECK, "--picture", "{tmp}/no/such/picture.png"), "picture.png: cannot be written"),
        ((*CHECK, "--colour"), "--colour"),
        (("cut", "{tmp}/wrong.toml", "--rig", "{rig}"), "wrong.toml"),
        (("cut", "{tmp}/nowhere.toml", "--rig", "{rig}"), "nowhere.toml"),
        (("cut", str(DEMO), "--rig", "{rig}"), "no projector"),
        (("rehearse", "-o", "{tmp}/words.jpg"), "words.jpg"),
        (("rehearse", "-o", "{tmp}/words.jpg/out"), "words.jpg"),
        (("rehearse", "-o", "/proc/nowhere"), "/proc/nowhere"),
        (("rehearse", "-o", "{tmp}/out", "--seed", "-1"), "--seed"),
        (("rehearse", "{tmp}/wrong.toml", "-o", "{tmp}/out"), "wrong.toml"),
        (("rehearse",), "-o"),
        (("sew",), "sew"),
        ((), "COMMAND"),
    ],
    ids=lambda value: value.replace("/", " ")[-40:] if isinstance(value, str) else "",
)
def test_wrong_input_is_told_in_one_line_that_says_what_to_do(
    words: tuple[str, ...],
    says: str,
    tmp_path: Path,
    rig: Path,
    calibrated: Done,
    capfd: pytest.CaptureFixture[str],
) -> None:
    wrong_things(tmp_path, rig)
    refused_here(capfd, *(word.format(tmp=tmp_path, rig=rig) for word in words), says=says)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((*TABLESIDE, "--camera", "97", "--display", "0"), "camera 97"),  # OpenCV warns of it by itself
        (("check", "{tmp}/half.jpg", "--rig", "{rig}"), "half.jpg: no picture that can be read, or only part of one"),
        ((), "COMMAND"),
    ],
    ids=["library", "decoder", "nothing"],
)
def test_a_process_of_its_own_says_no_more_than_that(
    words: tuple[str, ...], says: str, tmp_path: Path, rig: Path, calibrated: Done
) -> None:
    wrong_things(tmp_path, rig)
    refused(*(word.format(tmp=tmp_path, rig=rig) for word in words), says=says)


def wrong_things(folder: Path, rig: Path) -> None:
    """Files that are not what their names say."""
    (folder / "words.jpg").write_text("This is no picture.\n" * 100)
    (folder / "nothing.png").touch()
    (folder / "cut_short.jpg").write_bytes(PHOTOGRAPH.read_bytes()[:300])
    (folder / "half.jpg").write_bytes(PHOTOGRAPH.read_bytes()[: PHOTOGRAPH.stat().st_size // 2])
    (folder / "giant.bmp").write_bytes(b"BM" + struct.pack("<IIIIiiHH", 0, 0, 54, 40, 20000, 20000, 1, 24) + bytes(24))
    cv2.imwrite(str(folder / "small.png"), np.full((64, 96, 3), 90, np.uint8))
    (folder / "damaged.json").write_text(rig.read_text().replace('"focal_px"', '"vocal_px"'))
    (folder / "newer.json").write_text(rig.read_text().replace('"schema": 2', '"schema": 99'))
    (folder / "wrong.toml").write_text(DEMO.read_text().replace('tolerance = "1/32 in"', 'tolerance = "4 1/0 in"'))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere there always is a screen")
def test_a_missing_screen_is_told_in_one_line(tmp_path: Path) -> None:
    words = ("calibrate", "--camera", TABLE, "--display", "0", "-o", tmp_path / "rig.json")
    refused(*words, says="no screen", **NO_SCREEN)


def test_an_unknown_display_is_told_with_those_there_are(tmp_path: Path) -> None:
    words = ("calibrate", "--camera", TABLE, "--display", "9", "-o", tmp_path / "rig.json")
    refused(*words, says="no display 9; choose display 0", SDL_VIDEODRIVER="dummy")
