"""The real window on a real screen (Xvfb): every pixel arrives; what cannot be shown is refused."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from projector.light.display import key_name
from tests.whole.screen import WITHOUT_XVFB, XVFB, Screen, open_screen

SIZE_PX = (1000, 613)  # uneven, so that a swapped axis or a padded row shows
OPEN = "from projector.light.display import *\ntry: PygameDisplay({})\nexcept DisplayError as e: print(e)"
SCREENS = ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER")
needs_xvfb = pytest.mark.skipif(XVFB is None, reason=WITHOUT_XVFB)


def run_child(code: str, environment: dict[str, str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)],
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def shown_by(code: str, screen: Screen, wanted: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Start a child that shows a picture and waits; give what is on the screen once it is the wanted one."""
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code)], env=screen.environment, stdin=subprocess.PIPE
    ) as child:
        end_s = time.monotonic() + 20
        picture = screen.picture()
        while time.monotonic() < end_s and not np.array_equal(picture, wanted) and child.poll() is None:
            time.sleep(0.05)
            picture = screen.picture()
        child.communicate(b"\n")
    return picture


@needs_xvfb
def test_full_screen_is_pixel_for_pixel_and_without_a_cursor(tmp_path: Path) -> None:
    wanted = np.random.default_rng(5).integers(0, 256, (SIZE_PX[1], SIZE_PX[0], 3), np.uint8)
    np.save(tmp_path / "wanted.npy", wanted)
    code = f"""
        import numpy as np
        from projector.light.display import PygameDisplay
        display = PygameDisplay(0)
        assert display.size_px == {SIZE_PX}
        display.show(np.zeros_like(picture := np.load({str(tmp_path / "wanted.npy")!r})))
        display.show(picture)
        input()
        assert display.keys() == []
        display.close()
    """
    with open_screen(tmp_path, SIZE_PX) as screen:
        np.testing.assert_array_equal(shown_by(code, screen, wanted), wanted)


@needs_xvfb
def test_a_window_scales_the_picture_and_keeps_its_proportions(tmp_path: Path) -> None:
    code = """
        import numpy as np
        from projector.light.display import WindowDisplay
        display = WindowDisplay((1920, 1080), "rehearsal")
        display.show(np.full((1080, 1920, 3), (10, 120, 240), np.uint8))
        input()
    """
    with open_screen(tmp_path, SIZE_PX) as screen:
        wanted = np.zeros((SIZE_PX[1], SIZE_PX[0], 3), np.uint8)
        wanted[95:517, 125:875] = (10, 120, 240)  # three quarters of 1000, 750 * 1080 / 1920, in the middle
        np.testing.assert_array_equal(shown_by(code, screen, wanted), wanted)


@needs_xvfb
def test_an_unknown_display_is_refused_with_what_there_is(tmp_path: Path) -> None:
    code = OPEN.format(3)
    with open_screen(tmp_path, SIZE_PX) as screen:
        told = run_child(code, screen.environment)
    assert told.stdout == "there is no display 3; choose display 0 (1000 x 613)\n"
    assert told.stderr == ""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere there is always a screen")
@pytest.mark.parametrize("display", [None, ":987"])
def test_no_screen_is_told_in_one_line(display: str | None) -> None:
    plain = {name: value for name, value in os.environ.items() if name not in SCREENS}
    environment = plain if display is None else plain | {"DISPLAY": display}
    code = OPEN.format(0)
    told = run_child(code, environment)
    assert "screen" in told.stdout
    assert told.stdout.count("\n") == 1
    assert told.stderr == ""


@pytest.mark.parametrize(
    ("pygame_name", "name"),
    [
        ("space", "space"),
        ("page down", "pagedown"),
        ("Q", "q"),
        ("[1]", "1"),
        ("[", "["),
        ("left shift", "leftshift"),
    ],
)
def test_keys_have_one_spelling(pygame_name: str, name: str) -> None:
    assert key_name(pygame_name) == name
