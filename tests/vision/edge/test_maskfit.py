"""The mask's unknowns beside all others: held against one solve of everything."""

from __future__ import annotations

import numpy as np
import pytest

from vision.edge.common import OWN
from vision.edge.equations import Equations
from vision.edge.maskfit import mask_told
from vision.edge.model.mask import Sharpening
from vision.edge.model.unmasked import before, told_u

SIDES, COMMON, MASK = 5, 4, 3
UNDONE = Sharpening(0.8, 0.9)


def equations(seed: int) -> Equations:
    """Of sides with own, common and the mask's unknowns."""
    rng = np.random.default_rng(seed)
    slopes = rng.normal(0.0, 20.0, (SIDES, len(OWN) + COMMON + MASK, 60))
    gradient = np.einsum("sxk,sk->sx", slopes, rng.normal(0.0, 1.0, (SIDES, 60)))
    normal = np.einsum("sxk,syk->sxy", slopes, slopes)
    return Equations(normal, gradient, np.diag([1.0] * COMMON + [0.0] * MASK), np.zeros(COMMON + MASK))


def test_the_mask_is_half_way_to_what_a_solve_of_everything_finds() -> None:
    told, own = equations(3), len(OWN)
    size = SIDES * own + COMMON + MASK
    normal, right = np.zeros((size, size)), np.zeros(size)
    for s in range(SIDES):
        at = np.r_[s * own : (s + 1) * own, SIDES * own : size]
        normal[np.ix_(at, at)] += told.normal[s]
        right[at] += told.gradient[s]
    expected, u = before(UNDONE)
    normal[SIDES * own :, SIDES * own :] += told.prior_normal
    normal[-MASK:, -MASK:] += np.diag(u**-2)
    right[-MASK:] += expected / u**2
    found = mask_told(told, told, UNDONE, None)
    assert found.values == pytest.approx(np.linalg.solve(normal, right)[-MASK:] / 2.0, rel=1e-3)
    # By noise alone it is known as that solve says; on top of it come sides' errors, the other half of the way, and
    # what pictures of one camera differ by.
    alone = np.linalg.inv(normal)[-MASK:, -MASK:] + np.outer(found.values, found.values)
    alone += np.diag(told_u(UNDONE) ** 2)
    assert np.all(np.linalg.eigvalsh(found.covariance - alone) > -1e-9)


def test_a_mask_that_is_known_stands() -> None:
    values, covariance = np.array([0.1, 0.2, 0.3]), np.eye(MASK)
    found = mask_told(equations(1), equations(2), UNDONE, (values, covariance))
    assert found.values is values
    joined = found.joined(np.eye(COMMON))
    assert joined.shape == (COMMON + MASK, COMMON + MASK)
    assert joined[COMMON:, COMMON:] == pytest.approx(covariance)
    assert joined[:COMMON, :COMMON] == pytest.approx(np.eye(COMMON) + found.common @ found.common.T)
