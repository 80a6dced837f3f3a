"""The blade's constant offset: by hand, against its stated uncertainty, and as a person is asked about it.

A hand's scatter of 0.3 mm and slips of 1 to 3 mm in 2 cuts of 100 are common practice, no source.
"""

import math

import numpy as np
import pytest

from projector.guide.units.blade import LEAST_CUTS, Blade, offset_of

HAND_MM, SLIP_SHARE, SLIP_MM = 0.3, 0.02, (1.0, 3.0)


def cuts(rng, offset_mm, count):
    """Cuts beside their lines, some of them slips."""
    made = rng.normal(offset_mm, HAND_MM, count)
    slips = rng.random(count) < SLIP_SHARE
    return made + slips * rng.choice((-1.0, 1.0), count) * rng.uniform(*SLIP_MM, count)


@pytest.mark.parametrize(
    ("beside_mm", "slips"),
    [
        ([0.2, 0.3, 0.1, 0.2, 0.2], 0),
        ([0.2, 0.3, 0.1, 2.4, 0.2, 0.2], 1),
        ([-1.9, 0.2, 0.3, 0.1, 2.4, 0.2, 0.2], 2),
        ([0.2, 0.9, 0.1, 0.2, -0.4], 0),  # 2.3 of the hand's scatter: no slip
    ],
)
def test_slips_are_left_out(beside_mm, slips):
    found = offset_of(beside_mm)
    assert (found.cuts, found.slips) == (len(beside_mm) - slips, slips)
    assert found.mm == pytest.approx(0.2, abs=0.06)


def test_without_a_cut_nothing_is_known():
    assert offset_of([]) is None


def test_many_alike_cuts_are_their_mean_and_its_standard_error():
    """u = s / sqrt(n), GUM 4.2.3; what was taken for usual beforehand has no weight any more."""
    made = np.random.default_rng(3).normal(0.4, HAND_MM, 400)
    found = offset_of(made)
    assert found.mm == pytest.approx(float(made.mean()), abs=0.01)
    assert found.u_mm == pytest.approx(float(made.std(ddof=1)) / 20.0, rel=0.1)


@pytest.mark.parametrize("offset_mm", [0.0, 0.2, 0.4])
def test_the_offset_is_as_near_as_its_uncertainty_says(offset_mm):
    """Of 400 seeds 95 % should be within 2 x 0.3 / sqrt(n), and within 2 u: less 3 standard deviations, 0.918."""
    near = stated = 0
    for seed in range(400):
        rng = np.random.default_rng([seed, 12])
        count = int(rng.integers(LEAST_CUTS, 40))
        found = offset_of(cuts(rng, offset_mm, count))
        near += abs(found.mm - offset_mm) <= 2.0 * HAND_MM / math.sqrt(count)
        stated += abs(found.mm - offset_mm) <= 2.0 * found.u_mm
    assert near >= 0.918 * 400
    assert stated >= 0.918 * 400


def test_a_shift_is_offered_only_once_it_exceeds_two_standard_uncertainties():
    rng, blade = np.random.default_rng(5), Blade()
    offered = []
    for one in cuts(rng, 0.3, 30):
        blade = blade.after(float(one))
        found = blade.offset
        offered.append(blade.offer is not None)
        assert not blade.offer or found.mm > 2.0 * found.u_mm
    assert not any(offered[: LEAST_CUTS - 1])
    assert offered[-1]


@pytest.mark.parametrize(
    ("beside_mm", "offered"),
    [
        ([0.3] * 4, False),  # too few cuts
        ([0.3] * 8, True),
        ([0.04, 0.06, 0.05] * 20, False),  # sure, but not worth the while
        ([-0.5, 0.6, 0.4, -0.3, 0.1, 0.2], False),  # not sure
    ],
)
def test_what_is_worth_an_offer(beside_mm, offered):
    assert (Blade(tuple(beside_mm)).offer is not None) is offered


def test_after_a_shift_the_learner_goes_on():
    """Cuts are always taken from the line as it is shown: it is offered again when it has changed."""
    shifted = Blade((0.4,) * 10).accepted()
    assert shifted.shift_mm == pytest.approx(0.4, abs=0.03)
    assert shifted.offer is None
    assert Blade((*shifted.beside_mm, *(0.4,) * 20), shifted.shift_mm).offer is None
    assert Blade((*shifted.beside_mm, *(0.0,) * 40), shifted.shift_mm).offer is not None


def test_what_was_declined_is_not_offered_again_until_it_has_changed():
    declined = Blade((0.4,) * 6).declined()
    assert declined.after(0.4).offer is None
    assert declined.shift_mm == 0.0
    assert Blade((*declined.beside_mm, *(0.9,) * 60), 0.0, declined.declined_mm).offer is not None


def test_the_last_cut_is_known_as_a_slip():
    assert Blade((0.2, 0.3, 0.1, 0.2, 2.4)).slipped
    assert not Blade((0.2, 0.3, 0.1, 2.4, 0.2)).slipped
