"""Pygame as a guest that does not greet: its banner and the warnings of what it imports stay out of our output."""

from __future__ import annotations

import os
import warnings
from types import ModuleType


def imported_pygame() -> ModuleType:
    """Import pygame without a word on either stream. It takes a third of a second, so only who needs it asks."""
    os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # some releases import pkg_resources, which is deprecated
        import pygame
        import pygame.freetype
    return pygame
