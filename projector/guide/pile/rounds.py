"""In which order units are fed for a gauge study: all of them once a round, round after round, person after person."""

from __future__ import annotations

from dataclasses import dataclass, replace

from projector.guide.pile.present import Piece
from vision.units import Judged, Verdict

ONE_AT_A_TIME = "one_at_a_time"
UNREADABLE = {
    ONE_AT_A_TIME: "lay one unit at a time",
    Verdict.TURNED_OVER.value: "lay it the other side up, as in every round",
    Verdict.OTHER.value: "lay the unit that is asked for, flat and by itself",
}


@dataclass(frozen=True, slots=True)
class Rounds:
    """So many units, each laid so many times by so many people."""

    units: int
    rounds: int
    people: int = 1

    @property
    def readings(self) -> int:
        return self.units * self.rounds * self.people

    def place(self, reading: int) -> tuple[int, int, int]:
        """Unit, round and person of a reading, all counted from 1; the reading from 0.

        >>> Rounds(units=10, rounds=3, people=2).place(47)
        (8, 2, 2)
        """
        person, rest = divmod(reading, self.units * self.rounds)
        turn, unit = divmod(rest, self.units)
        return unit + 1, turn + 1, person + 1

    def words(self, reading: int) -> str:
        """Round and person of a reading.

        >>> Rounds(10, 3, 2).words(47), Rounds(10, 3).words(7)
        ('round 2 of 3, person B', 'round 1 of 3')
        """
        _, turn, person = self.place(reading)
        return f"round {turn} of {self.rounds}" + (f", person {person_name(person)}" if self.people > 1 else "")


def person_name(person: int) -> str:
    """A letter, as many as there are; beyond them a number.

    >>> person_name(2), person_name(27)
    ('B', '27')
    """
    return chr(ord("A") + person - 1) if person <= 26 else str(person)


def as_reading(piece: Piece, alone: bool) -> Piece:
    """A piece that lies there, as the study takes it: what would be no reading of the one unit is to be laid again."""
    judged = piece.judged
    verdict = judged.verdict.value if judged is not None and judged.verdict is not None else ""
    trouble = verdict if alone else ONE_AT_A_TIME
    if judged is None or trouble not in UNREADABLE or judged.unit.trouble is not None:
        return piece
    again = replace(judged.unit, trouble=trouble)
    return replace(piece, judged=Judged(again, judged.expected, verdict=Verdict.LOOK_AGAIN, why=UNREADABLE[trouble]))
