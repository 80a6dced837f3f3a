"""Points that fill a cube evenly: the Sobol sequence with the direction numbers of S. Joe and F. Y. Kuo.

"Constructing Sobol sequences with better two-dimensional projections", SIAM J. Sci. Comput. 30(5), 2008, and their
table new-joe-kuo-6 (from memory; a test holds it against SciPy's, whose import takes a quarter of a second).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

BITS = 30
# Of each dimension from the second on: its primitive polynomial's inner coefficients as bits, and first numbers.
PRIMITIVE = (
    (0, (1,)),
    (1, (1, 3)),
    (1, (1, 3, 1)),
    (2, (1, 1, 1)),
    (1, (1, 1, 3, 3)),
    (4, (1, 3, 5, 13)),
    (2, (1, 1, 5, 5, 17)),
    (4, (1, 1, 5, 5, 5)),
    (7, (1, 1, 7, 11, 19)),
    (11, (1, 1, 5, 1, 1)),
    (13, (1, 1, 1, 3, 11)),
    (14, (1, 3, 5, 5, 31)),
    (1, (1, 3, 3, 9, 7, 49)),
    (13, (1, 1, 1, 15, 21, 21)),
    (16, (1, 3, 1, 13, 27, 49)),
    (19, (1, 1, 1, 15, 7, 5)),
    (22, (1, 3, 1, 15, 13, 25)),
    (25, (1, 1, 5, 5, 19, 61)),
    (1, (1, 3, 7, 11, 23, 15, 103)),
    (4, (1, 3, 7, 13, 13, 15, 69)),
)
MOST_DIMENSIONS = len(PRIMITIVE) + 1


def sobol(dimensions: int, count: int) -> NDArray[np.float64]:
    """(count, dimensions) first points of the sequence, 0 the first of them, in Gray code's order.

    >>> sobol(2, 4).tolist()
    [[0.0, 0.0], [0.5, 0.5], [0.75, 0.25], [0.25, 0.75]]
    """
    ways = np.array([_ways(k) for k in range(dimensions)], np.uint64)  # (D, BITS)
    points = np.zeros((count, dimensions), np.uint64)
    for i in range(1, count):
        lowest = (i & -i).bit_length() - 1
        points[i] = points[i - 1] ^ ways[:, lowest]
    return points / float(1 << BITS)


def _ways(dimension: int) -> list[int]:
    """The direction numbers of a dimension, the first the greatest."""
    if dimension == 0:
        return [1 << (BITS - 1 - k) for k in range(BITS)]
    inner, numbers = PRIMITIVE[dimension - 1]
    degree, found = len(numbers), list(numbers)
    for k in range(degree, BITS):
        now = found[k - degree] ^ (found[k - degree] << degree)
        for j in range(1, degree):
            if inner >> (degree - 1 - j) & 1:
                now ^= found[k - j] << j
        found.append(now)
    return [number << (BITS - 1 - k) for k, number in enumerate(found)]
