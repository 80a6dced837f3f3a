"""Where light goes: the one module that touches a window.

A picture is (height, width, 3) uint8, blue green red as everywhere in this code, in the display's native size.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray


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
