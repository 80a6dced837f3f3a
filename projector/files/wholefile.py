"""Text files that are there whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path


def write_whole(path: Path, text: str) -> None:
    """Write beside the place and move it there. Raises OSError; what was there before then stays."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.write_text(text, encoding="utf-8", errors="replace", newline="")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise OSError(error.errno, error.strerror, str(path)) from None
