"""A whole pile through the real loop, at a virtual table whose person is clumsy. Pictures are generated.

The full count is `python -m tests.measure.piles`; what a pile is, is the project's own.
"""

from __future__ import annotations

from tests.measure.piles import counted

UNITS = 10
SIZE_PX = (800, 450)
CLUMSY = {"touching": 0.3, "turned": 0.2, "nudge": 0.3, "again": 0.1}


def test_every_unit_counts_once_however_clumsily_it_is_laid() -> None:
    found = counted(2, UNITS, SIZE_PX, (2, 3), CLUMSY)
    assert found.counted == found.kept == len(found.truth.units) == UNITS
    assert not {"other", "turned_over", "look_again"} & found.verdicts.keys()  # each was laid right in the end
    refused = [one for one in found.events if (one["event"], one.get("what")) == ("refused", "unit")]
    assert "touching" in {one["why"] for one in refused}
