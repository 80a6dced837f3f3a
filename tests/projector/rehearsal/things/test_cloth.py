"""Cloth: what a straight cut does to it."""

import numpy as np
import pytest

from projector.rehearsal.things.cloth import ClothToLay, Piece, Pose, area_mm2, cut, strip

SET = ClothToLay("a set", 88.9, 600.0, (44.45,), ("navy", "cream"))


def laid(turn_rad: float = 0.05) -> Piece:
    return strip(SET, (0.02, -0.01)).moved(Pose(120.0, 300.0, turn_rad))


def halves(piece: Piece, line: np.ndarray) -> tuple[Piece, Piece]:
    left, right = cut(piece, line)
    assert left is not None
    assert right is not None
    return left, right


def test_a_strip_set_is_as_large_as_its_patches() -> None:
    piece = strip(SET)
    assert piece.area_mm2 == pytest.approx(88.9 * 600.0)
    assert sum(area_mm2(p.corners_mm) for p in piece.patches) == pytest.approx(piece.area_mm2)
    assert [p.fabric for p in piece.patches] == ["navy", "cream"]


@pytest.mark.parametrize("seed", range(10))
def test_a_cut_loses_no_cloth(seed: int) -> None:
    piece = laid()
    rng = np.random.default_rng(seed)
    middle = piece.corners_mat_mm.mean(axis=0)
    for _ in range(4):
        angle = rng.uniform(0.6, 2.5)
        line = middle + np.array([[0.0, 0.0], [np.cos(angle), np.sin(angle)]])
        left, right = halves(piece, line)
        assert left.area_mm2 + right.area_mm2 == pytest.approx(piece.area_mm2, rel=1e-12)
        for part in (left, right):
            assert sum(area_mm2(p.corners_mm) for p in part.patches) == pytest.approx(part.area_mm2, rel=1e-9)
        piece, middle = left, left.corners_mat_mm.mean(axis=0)


def test_the_part_left_of_an_upward_cut_keeps_the_far_end() -> None:
    """Seen from the lower to the upper end of the cut, the strip's own end lies to the right."""
    piece = laid(0.0)
    kept, off_cut = halves(piece, np.array([[600.0, 0.0], [600.0, 500.0]]))
    assert kept.corners_mat_mm[:, 0].max() == pytest.approx(600.0)
    assert off_cut.corners_mat_mm[:, 0].min() == pytest.approx(600.0)
    assert set(kept.sides) == {"lower", "end", "upper", "far"}
    assert set(off_cut.sides) == {"lower", "end", "upper", "cut"}
    end = kept.side_mat_mm("end")
    assert end is not None
    assert end[:, 0] == pytest.approx([600.0, 600.0])
    assert kept.seams_mm[0, 1, 0] == pytest.approx(off_cut.seams_mm[0, 0, 0])  # one seam, now in two parts


def test_a_cut_beside_the_cloth_leaves_it_whole() -> None:
    piece = laid()
    left, right = cut(piece, np.array([[900.0, 0.0], [900.0, 100.0]]))
    assert right is None
    assert left is not None
    assert left.area_mm2 == pytest.approx(piece.area_mm2)


def test_a_pose_and_back() -> None:
    pose, points = Pose(10.0, 20.0, 0.7), np.array([[1.0, 2.0], [3.0, -4.0]])
    assert pose.own_from_mat(pose.mat_from_own(points)) == pytest.approx(points)
    assert Pose(0.0, 0.0, np.pi / 2).mat_from_own(np.array([1.0, 0.0])) == pytest.approx([0.0, 1.0])
