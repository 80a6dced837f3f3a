"""Units in groups, as of one strip or one session: whether groups differ more than the units of one do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln


@dataclass(frozen=True, slots=True)
class Groups:
    """An X-bar chart of groups of any sizes: `means[i]` is of `counts[i]` units and has limits of its own."""

    centre: float  # of all units
    sd: float  # of units within their groups
    counts: tuple[int, ...]
    means: tuple[float, ...]

    def limits(self, i: int) -> tuple[float, float]:
        """Three standard deviations of group i's mean to either side of the centre; of a lone unit none are known."""
        reach = mean_factor(self.counts[i]) * self.sd if self.counts[i] > 1 else math.inf
        return self.centre - reach, self.centre + reach

    @property
    def out(self) -> tuple[int, ...]:
        """The groups whose mean lies beyond its limits."""
        beyond = (i for i, mean in enumerate(self.means) if not self.limits(i)[0] <= mean <= self.limits(i)[1])
        return tuple(beyond)


def groups_of(groups: Sequence[Sequence[float]]) -> Groups | None:
    """Of two groups or more; None where no group has two units that differ.

    Source: NIST/SEMATECH e-Handbook, 6.3.2.1; sizes that differ as D. C. Montgomery, Introduction to Statistical
    Quality Control, 6.3.2: mean and variance weighted, and each group the limits of its own size.
    """
    arrays = [np.asarray(one, float) for one in groups if len(one)]
    freedom = sum(len(one) - 1 for one in arrays)
    if len(arrays) < 2 or not freedom:
        return None
    sd = math.sqrt(sum(float(np.sum((one - one.mean()) ** 2)) for one in arrays) / freedom)
    means = tuple(float(one.mean()) for one in arrays)
    return Groups(float(np.concatenate(arrays).mean()), sd, tuple(map(len, arrays)), means) if sd > 0.0 else None


def mean_factor(n: int) -> float:
    """A3: three standard deviations of a mean of n, in mean standard deviations of n; n at least 2."""
    return 3.0 / (mean_sd(n) * math.sqrt(n))


def mean_sd(n: int) -> float:
    """c4: mean of the standard deviation (n - 1) of n standard normal numbers; n at least 2.

    >>> abs(mean_sd(2) - math.sqrt(2.0 / math.pi)) < 1e-12
    True
    """
    return math.sqrt(2.0 / (n - 1)) * math.exp(float(gammaln(n / 2.0) - gammaln((n - 1) / 2.0)))
