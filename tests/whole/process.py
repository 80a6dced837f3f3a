"""The tool as a person or a script runs it: files in, lines out, in a process of its own or, sooner, in this one."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from projector.commands import main

ROOT = Path(__file__).parents[2]
TABLE = ROOT / "fixtures" / "table"  # rendered frames with exact truth; its README tells how
PHOTOGRAPH = TABLE / "units_01.jpg"
DEMO = ROOT / "fixtures" / "plans" / "demo.toml"
FLAT, TILTED, EMPTY = (str(TABLE / f"{name}_*.jpg") for name in ("board_flat", "board_tilt", "empty"))


@dataclass(frozen=True)
class Done:
    code: int
    out: str
    err: str

    @property
    def events(self) -> list[dict[str, Any]]:
        """Every line of standard output must be a JSON object."""
        return [json.loads(line) for line in self.out.splitlines()]

    def told(self, kind: str) -> list[dict[str, Any]]:
        return [event for event in self.events if event["event"] == kind]


def chalkbeam(*words: object, **environment: str) -> Done:
    command = [sys.executable, "-m", "projector", *map(str, words)]
    done = subprocess.run(
        command, cwd=ROOT, capture_output=True, encoding="utf-8", env={**os.environ, **environment}, timeout=120
    )
    return Done(done.returncode, done.stdout, done.stderr)


def here(capfd: pytest.CaptureFixture[str], *words: object) -> Done:
    """The same in this process, where starting one is not what is tested: it takes a second or two each time.

    File descriptors are read, so that what a library writes there by itself is seen as well.
    """
    capfd.readouterr()
    with pytest.raises(SystemExit) as end:
        main([*map(str, words)])
    return Done(int(end.value.code or 0), *capfd.readouterr())


def refused(*words: object, says: str, **environment: str) -> None:
    """What `told_in_one_line` holds, of a process of its own."""
    told_in_one_line(chalkbeam(*words, "--json", **environment), says)


def refused_here(capfd: pytest.CaptureFixture[str], *words: object, says: str) -> None:
    """What `told_in_one_line` holds, of a run in this process."""
    told_in_one_line(here(capfd, *words, "--json"), says)


def told_in_one_line(done: Done, says: str) -> None:
    """One line on standard error, exit code 2; with --json an `error` event too, which says what to do."""
    assert done.code == 2, done.err
    assert "Traceback" not in done.err
    assert done.err.startswith("chalkbeam: ")
    assert done.err.count("\n") == 1, done.err
    assert says in done.err
    (error,) = done.told("error")
    assert error == done.events[-1]
    assert set(error) == {"event", "t", "message", "do"}
    assert error["message"]
    assert error["do"]
    assert f"chalkbeam: {error['message']}; {error['do']}\n" == done.err
