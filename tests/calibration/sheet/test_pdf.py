"""The printable sheet, read back by a renderer that is not ours (pypdfium2); its pages are marked as rendered."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from calibration.sheet.board import Board
from calibration.sheet.corners import SheetView, find_sheet
from calibration.sheet.layout import PAPERS_MM, SheetError, lay_out
from calibration.sheet.pdf import sheet_pdf
from tests.whole.process import chalkbeam, here

ROOT = Path(__file__).parents[3]
TABLE = ROOT / "fixtures" / "tables" / "paper_sizes.csv"  # ISO 216, ANSI/ASME Y14.1; points by ISO 32000-1, 8.3.2.3
NAMES = {"letter": "Letter / ANSI A", "a4": "A4", "a3": "A3", "legal": "Legal"}
DPI = 254  # 10 px/mm


def published() -> dict[str, dict[str, str]]:
    lines = [line for line in TABLE.read_text().splitlines() if not line.startswith("#")]
    return {row["name"]: row for row in csv.DictReader(lines)}


def rendered(pdf: bytes):
    """(h, w) share of light of the rendered page, and its px per mm (x, y)."""
    page = pypdfium2.PdfDocument(pdf)[0]
    bitmap = page.render(scale=DPI / 72, grayscale=True)
    light = bitmap.to_numpy().reshape(bitmap.height, bitmap.width) / 255.0
    size_mm = np.array(page.get_size()) / 72 * 25.4
    return light, np.array([bitmap.width, bitmap.height]) / size_mm


def first_and_last(dark: np.ndarray) -> tuple[float, float]:
    """Middles of the first and the last dark line in a profile, px from the picture's rim."""
    at = np.flatnonzero(dark > 0.05)
    groups = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
    first, last = (float(np.sum((g + 0.5) * dark[g]) / np.sum(dark[g])) for g in (groups[0], groups[-1]))
    return first, last


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_paper_sizes_are_those_of_the_standards(paper):
    row = published()[NAMES[paper]]
    assert PAPERS_MM[paper] == (float(row["width_mm"]), float(row["height_mm"]))
    size_pt = sorted(pypdfium2.PdfDocument(sheet_pdf(Board(), paper))[0].get_size())
    assert size_pt == pytest.approx([float(row["width_pt"]), float(row["height_pt"])], abs=0.006)


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_black_squares_are_true_to_scale_in_the_pdf_itself(paper):
    """By the vectors' own numbers, in points: the renderer snaps upright squares to whole pixels."""
    page, sheet = pypdfium2.PdfDocument(sheet_pdf(Board(), paper))[0], lay_out(Board(), paper)
    bounds_mm = np.array([thing.get_bounds() for thing in page.get_objects()]) / 72 * 25.4  # left, bottom, right, top
    squares = bounds_mm[np.abs(bounds_mm[:, 2] - bounds_mm[:, 0] - 30) < 0.5]
    columns_rows = [(c, r) for r in range(6) for c in range(8) if (c + r) % 2]  # the top-left square is black
    expected = np.array(sheet.board_page_mm) + 30.0 * np.array(columns_rows)
    assert len(squares) == 24
    near = np.abs(squares[:, None, :2] - expected[None]).max(axis=2).min(axis=0)
    assert near.max() < 0.02
    assert np.abs(squares[:, 2:] - squares[:, :2] - 30).max() < 0.02


# papers whose size is a whole number of pixels, so that the page is not stretched
@pytest.mark.parametrize("paper", ["letter", "legal"])
def test_corners_and_bars_lie_where_they_are_said_to_lie(paper):
    pdf, sheet, board = sheet_pdf(Board(), paper), lay_out(Board(), paper), Board()
    light, px_per_mm = rendered(pdf)
    seen = 0.05 + 0.7 * light  # as a camera would show it: black not black, white not clipped, sRGB
    srgb = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    view = find_sheet(np.round(srgb * 255).astype(np.uint8), board)
    assert isinstance(view, SheetView)
    assert len(view.ids) == 35
    px = view.corners_px + 0.5
    page_mm = np.column_stack([px[:, 0] / px_per_mm[0], (light.shape[0] - px[:, 1]) / px_per_mm[1]])

    # The end lines, beside the bars where only the ends and the longest ticks reach; the ends are first and last.
    x, y = sheet.bars_page_mm
    row = int(light.shape[0] - (y + 0.5) * px_per_mm[1])
    column = int((x + 0.5) * px_per_mm[0])
    left, right = np.array(first_and_last(1 - light[row, int((x - 1) * 10) :])) + int((x - 1) * 10)
    stop = int(light.shape[0] - (y - 1) * px_per_mm[1])
    up, low = light.shape[0] - np.array(first_and_last(1 - light[:stop, column]))
    zero_mm = np.array([left, low]) / px_per_mm
    lengths_mm = np.array([right - left, up - low]) / px_per_mm

    text = pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_bounded()
    written = dict(re.findall(r"(along|across): ([^\r\n]*)", text))
    for name, length_mm in zip(("along", "across"), lengths_mm, strict=True):
        mm, inches = (float(re.search(rf"([\d.]+) {unit}", written[name])[1]) for unit in ("mm", "in"))
        assert length_mm == pytest.approx(mm, abs=0.02)
        assert inches * 25.4 == pytest.approx(mm, abs=0.0127)  # the inch of 1959; written to a thousandth
    from_bars_mm = np.array(sheet.board_page_mm) - sheet.bars_page_mm
    assert np.abs(page_mm - zero_mm - from_bars_mm - board.corners_sheet_mm[view.ids]).max() < 0.02


def test_a_board_that_does_not_fit_is_refused_with_a_remedy():
    with pytest.raises(SheetError, match=r"^the board is 320 x 240 mm, a4 has room for .*; take --paper a3, or"):
        lay_out(Board(8, 6, 40.0, 30.0), "a4")


def test_the_command_writes_the_sheet(tmp_path):
    done = chalkbeam("sheet", "--paper", "letter", "-o", tmp_path / "sheet.pdf")
    assert (done.code, done.err) == (0, "")
    assert (tmp_path / "sheet.pdf").read_bytes() == sheet_pdf(Board(), "letter")


@pytest.mark.parametrize(
    ("paper", "place", "says"),
    [("b9", "sheet.pdf", "; take one of letter, a4"), ("a4", "none/sheet.pdf", "; choose another place")],
)
def test_the_command_says_in_one_line_what_to_do(tmp_path, paper, place, says, capfd):
    done = here(capfd, "sheet", "--paper", paper, "-o", tmp_path / place)
    assert done.code == 2
    assert says in done.err
    assert done.err.count("\n") == 1
