"""The printed sheet as a PDF: true to scale, with two check bars at right angles.

All that is measured is drawn as vectors, where `layout` puts it. A PDF's unit is 1/72 inch (ISO 32000-1, 8.3.2.3).
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import shapely
from fpdf import FPDF
from fpdf.enums import PathPaintRule
from fpdf.prefs import ViewerPreferences
from numpy.typing import NDArray

from calibration.sheet.board import MM_PER_INCH, Board, marker_bits
from calibration.sheet.layout import EDGE_MM, NUMERAL_MM, SIDE_MM, TEXT_MM, TICK_MM, SheetLayout, board_text, lay_out

LINE_MM = 0.15
CLEAR_MM = 1.0  # no tick so near to a bar's end that one might be read for the other
NO_DATE = datetime(2000, 1, 1, tzinfo=UTC)  # the same sheet is the same bytes

FEED = "this edge towards you"
ADVICE = "Print at 100 %, no fitting to the page; stick it to something flat and stiff."


def length_text(value_mm: float) -> str:
    """A bar's length in both units, the round one first.

    >>> length_text(275.0), length_text(260.35)
    ('275 mm = 10.827 in', '10.25 in = 260.35 mm')
    """
    mm, inches = f"{value_mm:.7g} mm", f"{round(value_mm / MM_PER_INCH, 3):g} in"
    return f"{mm} = {inches}" if value_mm == round(value_mm) else f"{inches} = {mm}"


def sheet_pdf(board: Board, paper: str) -> bytes:
    """The sheet as one page of PDF. Raises SheetError for a paper that is not known, or too small."""
    sheet = lay_out(board, paper)
    pdf = FPDF(unit="mm", format=sheet.page_mm)
    pdf.creation_date = NO_DATE
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")  # ask the print dialogue not to fit
    pdf.set_title(f"chalkbeam sheet, {board_text(board)}")
    pdf.set_margin(0)
    pdf.set_auto_page_break(False)
    pdf.add_page()
    _draw_board(pdf, sheet, board)
    _draw_bar(pdf, sheet, sheet.along_mm, "along")
    x, y = sheet.bars_page_mm[0], sheet.page_mm[1] - sheet.bars_page_mm[1]
    with pdf.rotation(90, x, y):
        _draw_bar(pdf, sheet, sheet.across_mm, "across")
    _write(pdf, sheet, board)
    return bytes(pdf.output())


def dark_parts(board: Board) -> list[shapely.Polygon]:
    """All black of the board in the sheet frame, mm, one outline for all cells that hang together.

    Whole outlines, because cells drawn one by one show hairlines where they meet.
    """
    top_mm, cells = board.size_mm[1], marker_bits(board)
    parts: list[shapely.Polygon] = []
    for row in range(board.squares_y):
        for column in range(board.squares_x):
            left_mm, up_mm = column * board.square_mm, top_mm - row * board.square_mm
            if (row + column) % 2 == 0:
                parts.append(shapely.box(left_mm, up_mm - board.square_mm, left_mm + board.square_mm, up_mm))
            else:  # markers are counted through the white squares, row by row from the top left
                bits = cells[(row * board.squares_x + column) // 2]
                parts += _marker(bits, left_mm + board.clear_mm, up_mm - board.clear_mm, board.marker_mm)
    return parts


def _marker(bits: NDArray[np.bool_], left_mm: float, top_mm: float, side_mm: float) -> list[shapely.Polygon]:
    """One marker's black: joined in whole cells, where it is exact, then brought to its place."""
    boxes = [shapely.box(column, -row - 1, column + 1, -row) for row, column in np.argwhere(bits).tolist()]
    joined = shapely.get_parts(shapely.unary_union(boxes).simplify(0))
    return [shapely.transform(part, lambda cells: cells * (side_mm / len(bits)) + (left_mm, top_mm)) for part in joined]


def _draw_board(pdf: FPDF, sheet: SheetLayout, board: Board) -> None:
    x, y = sheet.board_page_mm
    pdf.set_fill_color(0)
    for part in dark_parts(board):
        with pdf.new_path(paint_rule=PathPaintRule.FILL_EVENODD) as path:
            path.style.fill_color = "#000000"
            path.style.stroke_color = None
            for ring in (part.exterior, *part.interiors):
                (left, up), *rest = [(x + a, sheet.page_mm[1] - y - b) for a, b in ring.coords[:-1]]
                path.move_to(left, up)
                for left, up in rest:
                    path.line_to(left, up)
                path.close()


def _draw_bar(pdf: FPDF, sheet: SheetLayout, length_mm: float, name: str) -> None:
    """A bar from the common corner to the right: inches on the one side, millimetres on the other."""
    x, y = sheet.bars_page_mm[0], sheet.page_mm[1] - sheet.bars_page_mm[1]
    # turned for the other bar, millimetres come to lie on the board's side of neither or both
    inward = -1 if name == "along" else 1
    pdf.set_line_width(LINE_MM)
    pdf.set_draw_color(0)
    pdf.line(x, y, x + length_mm, y)
    for end_mm in (0.0, length_mm):
        pdf.line(x + end_mm, y - TICK_MM, x + end_mm, y + TICK_MM)
    _draw_ticks(pdf, x, y, length_mm, inward, 5.0, 10)
    _draw_ticks(pdf, x, y, length_mm, -inward, MM_PER_INCH / 4, 4)
    label_y = y - inward * (SIDE_MM + TEXT_MM / 2)
    _text(pdf, x, label_y, f"{name}: {length_text(length_mm)}", 8, 0.0, bold=True)


def _draw_ticks(pdf: FPDF, x: float, y: float, length_mm: float, side: int, step_mm: float, numbered: int) -> None:
    """Ticks every `step_mm`, every second one longer, each `numbered`-th whole and with its numeral."""
    unit = "mm" if step_mm == 5.0 else "in"
    for k in range(1, math.ceil((length_mm - CLEAR_MM) / step_mm)):
        size = TICK_MM * (1.0 if k % numbered == 0 else 0.7 if k % 2 == 0 else 0.4)
        at = x + k * step_mm
        pdf.line(at, y, at, y + side * size)
        if k % numbered == 0 and k * step_mm <= length_mm - 12:  # the last numeral leaves room for the unit
            numeral = k * 5 if unit == "mm" else k // 4
            _text(pdf, at, y + side * (TICK_MM + NUMERAL_MM / 2), f"{numeral}", 6, 0.5)
    _text(pdf, x + length_mm, y + side * (TICK_MM + NUMERAL_MM / 2), unit, 6, 1.0)


def _text(pdf: FPDF, x: float, y: float, text: str, size_pt: float, anchor: float, bold: bool = False) -> None:
    """Write a line with its middle at height `y`; `anchor` 0 begins at `x`, 0.5 is centred there, 1 ends there."""
    pdf.set_font("Helvetica", "B" if bold else "", size_pt)
    capital_mm = 0.718 * size_pt / 72 * MM_PER_INCH  # of Helvetica, by its font metrics
    pdf.text(x - anchor * pdf.get_string_width(text), y + capital_mm / 2, text)


def _write(pdf: FPDF, sheet: SheetLayout, board: Board) -> None:
    """Advice, the board, and which edge is the bottom."""
    width, height = sheet.page_mm
    left, right, low = sheet.bars_page_mm[0], width - EDGE_MM, height - EDGE_MM - TEXT_MM / 2
    _text(pdf, right, low - TEXT_MM, ADVICE, 8, 1.0)
    _text(pdf, left, low, board_text(board), 8, 0.0)
    _text(pdf, right, low, "chalkbeam", 8, 1.0)
    _text(pdf, width / 2, low, FEED, 9, 0.5, bold=True)
    half_mm = pdf.get_string_width(FEED) / 2
    for x in (width / 2 - half_mm - 3.0, width / 2 + half_mm + 3.0):
        pdf.polygon([(x - 1.2, low - 0.9), (x + 1.2, low - 0.9), (x, low + 1.1)], style="F")
