"""What is said of a pile as a whole, wherever its units come from: its sample, its run charts, its summary."""

from __future__ import annotations

from collections.abc import Sequence

from projector.guide.pile.charts import Chart
from projector.piles.runwatch import RunWatch
from projector.piles.samplewish import Sample
from projector.records.sessions import Entry
from projector.telling.events import Event, Teller
from vision.comparing.expected import ExpectedShape


class Tally:
    """Tells the sample, then says what a run rule calls, unit by unit; `close` sums up.

    `earlier` are the units of sittings before this one.
    """

    def __init__(
        self, expected: ExpectedShape, teller: Teller, sample: Sample | None = None, earlier: Sequence[Entry] = ()
    ) -> None:
        self._teller, self._sample = teller, sample
        self._watch = RunWatch(expected, [one.event() for one in earlier])
        if sample is not None:
            teller.tell("seen", what="sample", words=sample.words(), **sample.keys())

    def hears(self, event: Event) -> list[Event]:
        """One event that is kept; what is to be told after it."""
        return self._watch.hears(event)

    def charts(self) -> tuple[Chart, ...]:
        """The run charts so far, for the light."""
        return self._watch.charts()

    def close(self, keys: Event) -> None:
        """Tell what came of the sample, and the summary: `keys` of the session, and every dimension."""
        if self._sample is not None:
            outcome, words = self._sample.outcome(_counts(keys))
            self._teller.tell("seen", what="sample", words=words, outcome=outcome, **self._sample.keys())
        self._teller.tell("summary", **keys | self._watch.keys())


def _counts(keys: Event) -> dict[str, int]:
    """How many were judged so, as the summary has it."""
    verdicts = keys["verdicts"]
    return dict(verdicts) if isinstance(verdicts, dict) else {}
