"""Records go on elsewhere: every figure in its column, and no name or note is more than text in its own cell."""

from __future__ import annotations

import csv
import io
import json
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from projector.records.export import LONGEST, csv_text, json_text, write_export
from projector.records.faults import RecordsError
from projector.records.rows import ABOUT, MOST, Sheet, sheet_of
from projector.records.sessions import Entry, Session

AT = datetime(2024, 5, 3, 9, 30, tzinfo=timezone(timedelta(hours=2)))
SESSION = Session(3, AT, "cut", 'name = "½ star"', "rig.json", None, "½ star", "mark")


def entry(n: int, event: object, name: str | None = "star", verdict: str | None = "fits") -> Entry:
    return Entry(n, name, verdict, json.dumps(event), AT)


def test_a_row_an_entry_and_a_column_a_figure() -> None:
    events = [
        {"widths_mm": [{"sides": [0, 2], "mean": 88.9, "u": 0.04}], "sides_mm": [1.5, None, -2.0], "why": "too wide"},
        {"sides_mm": list(range(11)), "u_parts_mm": {"rig": 0.01}, "curved": None, "outline_mat_mm": [[1, 2]]},
    ]
    sheet = sheet_of([(SESSION, [entry(i, event) for i, event in enumerate(events, 1)])])
    assert sheet.columns[: len(ABOUT)] == ABOUT
    figures = sheet.columns[len(ABOUT) :]
    widths = ("widths_mm_1_sides", "widths_mm_1_mean", "widths_mm_1_u")
    assert figures == ("why", *widths, *(f"sides_mm_{i}" for i in range(1, 12)), "u_parts_mm_rig")
    first, second = (dict(zip(sheet.columns, row, strict=True)) for row in sheet.rows)
    assert (first["session"], first["plan"], first["n"], first["at"]) == (3, "½ star", 1, "2024-05-03T09:30:00+02:00")
    assert (first["why"], first["widths_mm_1_sides"], first["widths_mm_1_mean"]) == ("too wide", "0 2", 88.9)
    assert (first["sides_mm_1"], first["sides_mm_2"], first["sides_mm_3"], first["u_parts_mm_rig"]) == (
        1.5,
        None,
        -2.0,
        None,
    )
    assert (second["sides_mm_11"], second["u_parts_mm_rig"], second["why"]) == (10, 0.01, None)


def test_an_event_that_somebody_else_wrote_makes_no_column_of_its_own() -> None:
    odd = {"evil": 1, "sides_mm": [[[1]]] * 1000, "u_parts_mm": {"evil": 2}, "findings": {"a": {}}, "why": {}}
    assert sheet_of([(SESSION, [entry(1, odd)])]).columns == ABOUT
    many = sheet_of([(SESSION, [entry(1, {"sides_mm": [1.0] * 1000})])])
    assert len(many.columns) == len(ABOUT) + MOST


def test_lines_are_those_of_the_standard() -> None:
    """RFC 4180, section 2: CR LF after each record; fields with quotes, commas, line breaks quoted; quotes doubled."""
    text = csv_text(Sheet(("a", "b"), (('say "½"', 1.5), ("x,y\r\nz", None))))
    assert text == '"a","b"\r\n"say ""½""",1.5\r\n"x,y\r\nz",""\r\n'


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        # First characters that must be escaped by an apostrophe: OWASP, Application Security Verification Standard
        # 5.0, requirement 1.2.10. NUL is replaced, as no database holds it.
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1/32", "'-1/32"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t'=1"),
        ("\0=1", "�=1"),
        # And what OWASP's page on CSV injection adds: carriage return, and that separators and quotes can begin a cell.
        ("\r=1", "'\r'=1"),
        ("a;=1", "a;'=1"),
        ('a;"=1"', 'a;\'"=1"'),
        ("a\n=1", "a\n'=1"),
        ("＝1", "'＝1"),
        ('  "=1', "'  \"=1"),
        ("half-square, 2 = 1 - 1; fine", "half-square, 2 = 1 - 1; fine"),
        ("A dark-light-dark segment", "A dark-light-dark segment"),
    ],
)
def test_no_cell_is_a_formula(text: str, cell: str) -> None:
    ((read,),) = list(csv.reader(io.StringIO(csv_text(Sheet((), ((text,),))), newline="")))[1:]
    assert read == cell


def test_numbers_stay_numbers() -> None:
    assert csv_text(Sheet(("a",), ((-0.25,),))) == '"a"\r\n-0.25\r\n'


HOSTILE = st.text(st.sampled_from("=+-@＝\t\r\n;,\"' aé½\0\x1b\ud800|!")) | st.text()


@given(st.lists(st.tuples(HOSTILE, HOSTILE, st.floats(allow_nan=False, allow_infinity=False)), max_size=4))
@settings(deadline=None)
def test_whatever_stands_in_cells_every_reader_finds_as_many_of_them_and_no_formula(
    rows: list[tuple[str, str, float]],
) -> None:
    """Also one that parts cells by semicolons or tabs, as spreadsheets do in some countries."""
    text = csv_text(Sheet(("a", "b", "c"), tuple(rows)))
    text.encode()
    read = list(csv.reader(io.StringIO(text, newline="")))
    assert [len(row) for row in read] == [3] * (len(rows) + 1)
    assert [float(row[2]) for row in read[1:]] == [row[2] for row in rows]
    cells = [cell for row in read for cell in row[:2]]
    assert not [cell for cell in cells if cell.lstrip(' "')[:1] in tuple("=+-@＝") or cell[:1] in tuple("\t\r")]
    for separator in ";\t":
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator):
            assert not [cell for cell in row if cell[:1] and cell[0] in "=+@＝"]


def test_a_cell_is_never_longer_than_a_spreadsheet_takes() -> None:
    """32,767 characters (Microsoft, "Excel specifications and limits"); all of it stands in the JSON."""
    long = "x" * 100_000
    text = csv_text(sheet_of([(SESSION, [entry(1, {"why": long}, long)])]))
    assert max(len(cell) for row in csv.reader(io.StringIO(text, newline="")) for cell in row) == LONGEST + 1
    assert long in json_text([(SESSION, [entry(1, {"why": long}, long)])])


def test_everything_stands_in_the_json_and_no_number_that_is_none() -> None:
    hostile = "</script>\0\ud800\"'=1\u2028"
    lines = ['{"u_mm": NaN, "v": 1e999}', "no JSON", "[1]", "[" * 100_000, json.dumps({"why": hostile}), '{"a": ' * 500]
    entries = [Entry(n, hostile, None, line, AT, "note", AT) for n, line in enumerate(lines, 1)]
    (read,) = json.loads(json_text([(SESSION, entries)]), parse_constant=pytest.fail)["sessions"]
    assert json_text([(SESSION, entries)]).isascii()
    assert (read["session"], read["plan"], read["plan_text"], read["ended"]) == (3, "½ star", SESSION.plan, None)
    events = [one["event"] for one in read["entries"]]
    assert events == [{"u_mm": None, "v": None}, {}, {}, {}, {"why": hostile}, {}]
    assert {one["name"] for one in read["entries"]} == {hostile}
    assert {one["undone"] for one in read["entries"]} == {"2024-05-03T09:30:00+02:00"}


def test_a_file_is_written_wholly_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = [(SESSION, [entry(1, {"why": "ok"}, "../../=evil")])]
    for name in ("out.csv", "out.JSON"):
        write_export(tmp_path / name, kept)
        before = (tmp_path / name).read_bytes()

        def full(*_: object, **__: object) -> int:
            raise OSError(28, "No space left on device")

        with monkeypatch.context() as change:
            change.setattr(Path, "write_text", full)
            with pytest.raises(RecordsError, match="the disk is full; make room"):
                write_export(tmp_path / name, kept)
        assert (tmp_path / name).read_bytes() == before
    with pytest.raises(RecordsError, match="cannot be used"):
        write_export(tmp_path / "nowhere" / "out.csv", kept)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.JSON", "out.csv"]  # nothing beside them
