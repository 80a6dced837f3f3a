"""Which bars were read. Papers by ISO 216 and ANSI/ASME Y14.1; the arithmetic is done by hand."""

from __future__ import annotations

import pytest

from calibration.sheet.bars import outer_size_mm, which_bars
from calibration.sheet.board import Board, Chessboard
from calibration.sheet.layout import SheetError, lay_out


@pytest.mark.parametrize("paper", ["letter", "a4", "a3", "legal"])
@pytest.mark.parametrize("printed_at", [1.0, 0.997, 1.006])
def test_both_readings_tell_the_paper(paper: str, printed_at: float) -> None:
    sheet = lay_out(Board(), paper)
    read = sheet.along_mm * printed_at, sheet.across_mm * printed_at
    assert which_bars(Board(), read) == (sheet.along_mm, sheet.across_mm)


def test_a_sheet_fitted_to_the_page_is_still_known_by_its_bars() -> None:
    sheet = lay_out(Board(), "a4")
    assert which_bars(Board(), (0.97 * sheet.along_mm, 0.97 * sheet.across_mm)) == (sheet.along_mm, sheet.across_mm)


def test_the_chessboard_itself_may_be_measured() -> None:
    assert which_bars(Board(), (239.1, 180.4)) == (240.0, 180.0)
    assert which_bars(Chessboard(9, 6, 25.0), (251.0, None)) == outer_size_mm(Chessboard(9, 6, 25.0)) == (250.0, 175.0)


@pytest.mark.parametrize("read", [(200.0, 150.0), (None, 182.4), (258.0, 100.0)])
def test_readings_that_fit_nothing_surely_ask_for_the_paper(read: tuple[float | None, float | None]) -> None:
    """182.4 mm is as near to 180 as to 185."""
    with pytest.raises(SheetError, match="--paper"):
        which_bars(Board(), read)


def test_one_reading_is_enough_where_papers_agree_on_that_bar() -> None:
    """Letter and legal are equally wide."""
    assert which_bars(Board(), (None, 190.4))[1] == 190.5


def test_a_paper_that_was_told_counts_unless_it_is_absurd() -> None:
    sheet = lay_out(Board(), "letter")
    assert which_bars(Board(), (None, 0.97 * sheet.across_mm), "letter") == (sheet.along_mm, sheet.across_mm)
    with pytest.raises(SheetError, match="do not fit the bars of letter"):
        which_bars(Board(), (200.0, None), "letter")
