"""`--sample aql=2.5`: how many of a pile to measure, which, and whether what was measured speaks for the rest."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import dataclass

from projector.telling.events import Event
from vision.statistics.sampling import LEVELS, LIMITS, SamplingPlan, drawn, limits_text, sampling_plan

HOW = "write it like aql=2.5, or aql=2.5,level=II,seed=7"
MOST_SEED = 999_999


class SampleError(Exception):
    """A wish for a sample does not fit; the message says in one line what to write."""


@dataclass(frozen=True, slots=True)
class SampleWish:
    """What the person wrote: acceptable quality limit in percent, inspection level, and the seed of the draw."""

    limit_percent: float
    level: str
    seed: int | None  # None: any


@dataclass(frozen=True, slots=True)
class Sample:
    """A plan and the units that were drawn for it, counted from 1 in whatever order the pile lies."""

    plan: SamplingPlan
    numbers: tuple[int, ...]
    seed: int

    def words(self) -> str:
        """What to do."""
        if self.plan.measures_all:
            return self.plan.words()
        return f"{self.plan.words()}; drawn (seed {self.seed}): {', '.join(map(str, self.numbers))}"

    def keys(self) -> Event:
        """For scripts."""
        plan = self.plan
        return {
            "pile": plan.pile,
            "aql_percent": plan.limit_percent,
            "letter": plan.letter,
            "size": len(self.numbers),
            "accept": plan.accept,
            "reject": plan.reject,
            "numbers": list(self.numbers),
            "seed": self.seed,
        }

    def outcome(self, verdicts: Mapping[str, int]) -> tuple[str, str]:
        """A code and words: `accept`, `reject` as soon as that is sure, or `go_on`.

        What is not proven to fit counts as not fitting, `close` too.
        """
        measured = sum(verdicts.values())
        bad = measured - verdicts.get("fits", 0)
        if not self.plan.measures_all and bad >= self.plan.reject:
            return "reject", f"{bad} of {measured} do not surely fit, {self.plan.reject} are too many: measure all"
        if measured < len(self.numbers):
            return "go_on", f"{measured} of {len(self.numbers)} measured"
        if self.plan.measures_all:
            return "measured_all", f"all {measured} were measured, {bad} do not surely fit"
        return "accept", f"{bad} of {measured} do not surely fit, {self.plan.accept} may: take the pile"


def sample_wish(text: str) -> SampleWish:
    """Read what `--sample` takes. Raises SampleError.

    >>> sample_wish("aql=2.5,level=I,seed=7")
    SampleWish(limit_percent=2.5, level='I', seed=7)
    """
    pairs = [part.strip().partition("=") for part in text.split(",")]
    given = {name.strip().lower(): value.strip() for name, _, value in pairs}
    if len(given) != len(pairs) or not given.keys() <= {"aql", "level", "seed"} or "aql" not in given:
        raise SampleError(f'"{text}": no sample; {HOW}')
    limit = next(
        (limit for limit in LIMITS if given["aql"].removesuffix("%").strip() in (f"{limit:g}", str(limit))), None
    )
    if limit is None:
        raise SampleError(f'"{text}": no limit of the standard; take one of {limits_text()} (percent)')
    level = given.get("level", "II").upper()
    if level not in LEVELS:
        raise SampleError(f'"{text}": no inspection level; take I, II or III')
    seed = given.get("seed", "")
    if seed and not (seed.isascii() and seed.isdecimal() and int(seed) <= MOST_SEED):
        raise SampleError(f'"{text}": no seed; take a whole number up to {MOST_SEED}')
    return SampleWish(limit, level, int(seed) if seed else None)


def sample_of(wish: SampleWish, pile: int) -> Sample:
    """The plan for a pile, and the draw. Raises SampleError for a pile of one."""
    if pile < 2:
        raise SampleError("a sample is drawn of two units or more; measure the one that is there")
    plan = sampling_plan(pile, wish.limit_percent, wish.level)
    seed = secrets.randbelow(MOST_SEED + 1) if wish.seed is None else wish.seed
    return Sample(plan, drawn(pile, plan.size, seed), seed)
