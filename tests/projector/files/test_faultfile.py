"""What a person reads when the program itself is at fault, and what is kept of it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from projector.commands import blocks, main


def test_a_fault_is_one_line_and_a_file_tells_where_it_was(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def at_fault(_: object) -> int:
        return [1, 2][len("abc")]

    monkeypatch.setattr(blocks, "run", at_fault)
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as end:
        main(["blocks", "compass star", "--json"])
    assert end.value.code == 70  # EX_SOFTWARE, an internal fault (sysexits.h of BSD, from memory)
    told, (kept,) = capsys.readouterr(), tmp_path.iterdir()
    (line,) = told.err.splitlines()
    assert "IndexError (test_faultfile.py, line " in line
    assert f"show {kept} to" in line
    assert json.loads(told.out)["event"] == "error"
    text = kept.read_text(encoding="utf-8")
    assert text.startswith("chalkbeam blocks compass star --json\n")
    assert "IndexError: list index out of range" in text


def test_where_nothing_can_be_written_the_line_stands_alone(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def at_fault(_: object) -> int:
        raise ZeroDivisionError("no\nsuch\nthing")

    monkeypatch.setattr(blocks, "run", at_fault)
    monkeypatch.setattr("projector.files.faultfile.folders", lambda: [tmp_path / "not there"])
    with pytest.raises(SystemExit) as end:
        main(["blocks"])
    assert end.value.code == 70
    (line,) = capsys.readouterr().err.splitlines()
    assert line.endswith("tell whoever looks after chalkbeam")
