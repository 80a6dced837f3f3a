"""Where light goes: the one module that touches a window.

A picture is (height, width, 3) uint8, blue green red as everywhere in this code, in the display's own size.
"""

from __future__ import annotations

import os
import sys
from types import ModuleType
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.light.quietly import imported_pygame

NOT_A_SCREEN = frozenset({"dummy", "offscreen", "evdev"})  # drivers that SDL falls back to
NO_SCREEN = "there is no screen here; start it from a desktop session, or leave the window out"
KEY_NAMES = {"page down": "pagedown", "page up": "pageup", "enter": "return", "esc": "escape"}


class DisplayError(Exception):
    """Nothing can be shown; the message says in one line what to do."""


class Display(Protocol):
    """Shows pictures in one size and hears keys (a foot pedal types keys)."""

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the display's own pixels."""
        ...

    def show(self, picture: NDArray[np.uint8]) -> None:
        """Hand a picture to the screen; it is on its way when this returns, not yet seen."""
        ...

    def keys(self) -> list[str]:
        """Names of the keys pressed since the last call: `space`, `q`, `escape`, ..."""
        ...

    def close(self) -> None:
        """Give the screen back."""
        ...


class PygameDisplay:
    """The whole of one display, in its native size, pixel for pixel. Raises DisplayError."""

    def __init__(self, display_index: int) -> None:
        self._pygame = pygame = _pygame_with_a_screen()
        sizes = pygame.display.get_desktop_sizes()
        if not 0 <= display_index < len(sizes):
            raise DisplayError(f"there is no display {display_index}; choose {_listed(sizes)}")
        self._size = (int(sizes[display_index][0]), int(sizes[display_index][1]))
        self._screen = _opened(pygame, self._size, pygame.FULLSCREEN, display_index)
        if self._screen.get_size() != self._size:
            got = "{} x {}".format(*self._screen.get_size())
            raise DisplayError(f"display {display_index} opened as {got}; turn its scaling off in the system settings")
        pygame.mouse.set_visible(False)
        pygame.display.set_caption("chalkbeam")

    @property
    def size_px(self) -> tuple[int, int]:
        return self._size

    def show(self, picture: NDArray[np.uint8]) -> None:
        width, height = self._size
        if picture.shape != (height, width, 3) or picture.dtype != np.uint8:
            raise ValueError(f"a picture of {(height, width, 3)} uint8 is wanted, not {picture.shape}")
        self._screen.blit(self._pygame.image.frombuffer(picture.tobytes(), self._size, "BGR"), (0, 0))
        self._pygame.display.flip()
        self._pygame.event.pump()

    def keys(self) -> list[str]:
        return _keys(self._pygame)

    def close(self) -> None:
        self._pygame.display.quit()


class WindowDisplay:
    """A window on the laptop that the person may resize; pictures are scaled to fit. Raises DisplayError."""

    def __init__(self, size_px: tuple[int, int], title: str) -> None:
        self._pygame = pygame = _pygame_with_a_screen()
        self._size = size_px
        self._screen = _opened(pygame, _fitting(size_px, pygame.display.get_desktop_sizes()[0]), pygame.RESIZABLE, 0)
        pygame.display.set_caption(title)

    @property
    def size_px(self) -> tuple[int, int]:
        return self._size

    def show(self, picture: NDArray[np.uint8]) -> None:
        pygame = self._pygame
        height, width = picture.shape[:2]
        screen = pygame.display.get_surface() or self._screen
        fitted = _fitted((width, height), screen.get_size())
        scaled = cv2.resize(picture, fitted, interpolation=cv2.INTER_AREA)
        image = pygame.image.frombuffer(scaled.tobytes(), fitted, "BGR")
        screen.fill((0, 0, 0))
        screen.blit(image, ((screen.get_width() - fitted[0]) // 2, (screen.get_height() - fitted[1]) // 2))
        pygame.display.flip()
        pygame.event.pump()

    def keys(self) -> list[str]:
        return _keys(self._pygame)

    def close(self) -> None:
        self._pygame.display.quit()


def _pygame_with_a_screen() -> ModuleType:
    """Start pygame's display, or say that there is nothing to show on."""
    environ = os.environ
    chosen = environ.get("SDL_VIDEODRIVER")
    environ.setdefault("SDL_VIDEO_MINIMIZE_ON_FOCUS_LOSS", "0")  # the light stays when the laptop is clicked
    environ.setdefault("SDL_WINDOWS_DPI_AWARENESS", "permonitorv2")  # true pixels on Windows
    desktop = chosen or environ.get("DISPLAY") or environ.get("WAYLAND_DISPLAY")
    if sys.platform.startswith("linux") and not desktop:
        raise DisplayError(NO_SCREEN)
    if environ.get("DISPLAY") and not environ.get("WAYLAND_DISPLAY"):
        environ.setdefault("SDL_VIDEODRIVER", "x11")  # else SDL tries Wayland, which complains
    pygame = imported_pygame()
    try:
        pygame.display.init()
    except pygame.error as error:
        raise DisplayError(f"no screen can be opened ({error}); start it from a desktop session") from error
    if pygame.display.get_driver() in NOT_A_SCREEN and not chosen:
        pygame.display.quit()
        raise DisplayError(NO_SCREEN)
    return pygame


def _opened(pygame: ModuleType, size_px: tuple[int, int], flags: int, display_index: int) -> Any:
    try:
        return pygame.display.set_mode(size_px, flags, display=display_index)
    except pygame.error as error:
        raise DisplayError(f"display {display_index} cannot be opened ({error}); choose another") from error


def _keys(pygame: ModuleType) -> list[str]:
    """Keys in the order they were pressed; closing the window counts as `q`."""
    names = []
    for event in pygame.event.get():
        if event.type == pygame.KEYDOWN:
            names.append(key_name(pygame.key.name(event.key)))
        elif event.type == pygame.QUIT:
            names.append("q")
    return [name for name in names if name]


def key_name(pygame_name: str) -> str:
    """One spelling for a key: lower case, no spaces, the keypad's like the others."""
    name = pygame_name.strip().lower()
    name = name[1:-1] if len(name) > 2 and name.startswith("[") and name.endswith("]") else name
    return KEY_NAMES.get(name, name).replace(" ", "")


def _fitted(size_px: tuple[int, int], room_px: tuple[int, int]) -> tuple[int, int]:
    """The greatest size of the same proportions in the room."""
    scale = min(room_px[0] / size_px[0], room_px[1] / size_px[1])
    return max(1, round(size_px[0] * scale)), max(1, round(size_px[1] * scale))


def _fitting(size_px: tuple[int, int], desktop_px: tuple[int, int]) -> tuple[int, int]:
    """A first window size: the picture's own, or three quarters of the desktop if that is smaller."""
    room = (desktop_px[0] * 3 // 4, desktop_px[1] * 3 // 4)
    return size_px if size_px[0] <= room[0] and size_px[1] <= room[1] else _fitted(size_px, room)


def _listed(sizes: list[tuple[int, int]]) -> str:
    return " or ".join(f"display {n} ({width} x {height})" for n, (width, height) in enumerate(sizes))
