"""What the tables of all chapters share: how a rule is found in them, and what is left without one on purpose."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Protocol, TypeVar

from projector.guide.looks import HandSeen, KeyPressed, MatCleared, Observation
from projector.guide.meanings import meaning_of
from projector.guide.steps import Turn


class Phased(Protocol):
    """A chapter's state, as its tables see it."""

    @property
    def phase(self) -> Any:
        """Where in the chapter it is: one of the chapter's own phases."""


P = TypeVar("P")
S = TypeVar("S", bound=Phased)
Rule = Callable[[S, Observation], Turn[S]]


def turn_by(rules: Mapping[tuple[P, type], Rule[S]], state: S, seen: Observation) -> Turn[S]:
    """What the rule for an observation in this phase gives; nothing happens where there is none."""
    rule = rules.get((state.phase, type(seen)))
    return rule(state, seen) if rule else Turn(state)


def by_key(keys: Mapping[tuple[P, str], Rule[S]]) -> Rule[S]:
    """A rule for all keys: the one that `keys` has for what the pressed key means. It raises ValueError of no key."""

    def pressed(state: S, seen: Observation) -> Turn[S]:
        if not isinstance(seen, KeyPressed):
            raise ValueError("not a key")
        rule = keys.get((state.phase, meaning_of(seen.key)))
        return rule(state, seen) if rule else Turn(state)

    return pressed


def ignored(phases: Iterable[P], clear_mat: P, done: P, measured: type) -> frozenset[tuple[P, type]]:
    """What means nothing in any chapter whose measurements are `measured`.

    While a hand is seen the light stays, and nothing is judged until all is still. Without a picture of the bare mat
    nothing is measured; of a chapter that is done nothing is asked.
    """
    phases = tuple(phases)
    return frozenset(
        {
            *((phase, HandSeen) for phase in phases),
            *((phase, MatCleared) for phase in phases if phase is not clear_mat),
            (clear_mat, measured),
            (done, measured),
            (done, KeyPressed),
        }
    )
