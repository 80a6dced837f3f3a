"""A rig: what it says of itself, and its way to the disk and back."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
import shapely

from calibration.area import area_mat_mm, footprint_mat_mm
from calibration.mat.dots import Dots
from calibration.mat.landmarks import PATCH_PX, Landmarks
from calibration.pinhole import Lens, Pinhole
from calibration.projection import lens_vector, moved, turn
from calibration.rig import Device, Rig, grid_points
from calibration.rigfile import RigError, check_place, load_rig, save_rig
from calibration.tone import SRGB, Tone

FLIP = np.diag([1.0, -1.0, -1.0])


def straight_down(height_mm=1000.0, focal_px=1000.0, size=(1001, 601)) -> Pinhole:
    """Above (450, 300), a millimetre a pixel at 1000 mm; its picture is 1001 x 601 mm."""
    w, h = size
    lens = Lens(size, (focal_px, focal_px), ((w - 1) / 2, (h - 1) / 2))
    return Pinhole(lens, FLIP, -FLIP @ np.array([450.0, 300.0, height_mm]))


def rig(projector: bool = True) -> Rig:
    rng = np.random.default_rng(8)
    root = rng.normal(size=(15, 15)) * 1e-4
    camera = Device(straight_down(), root @ root.T, 0.0123)
    turned = Pinhole(straight_down().lens, turn(np.array([0.01, 0.02, 0.03])) @ FLIP, np.array([-450.1, 300.2, 1000.3]))
    lit = Device(turned, 2 * root @ root.T, 1 / 3) if projector else None
    area = np.array([[0.0, 0.0], [900.0, 0.0], [900.0, 600.0], [0.0, 600.0]])
    made = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
    return Rig(camera, lit, 1e-4, area, made, **known_of_the_mat(rng), views=("a.jpg: flat",), notes=("½ in",))


def known_of_the_mat(rng):
    marks = Landmarks(
        rng.normal(size=(3, 2)),
        rng.normal(size=(3, 2)),
        rng.normal(size=(3, 2, 2)),
        rng.integers(0, 256, (3, PATCH_PX, PATCH_PX), np.uint8),
        rng.integers(0, 256, (4, 7), np.uint8),
    )
    seen = np.array([[3.5, 4.5], [np.nan, np.nan]])
    dots = Dots(np.array([[1.0, 2.0], [3.0, 1 / 3]]), 4.2, seen, np.array([0.01, np.nan]))
    tone = Tone(np.linspace(0.0, 1.0, 256) ** 2, "measured")
    told = {"frame": "mat", "frame_how": "its outline", "mat_mm": (900.5, 600.25), "scale_how": "your reading"}
    return told | {"tone": tone, "blur_px": 0.7, "landmarks": marks, "dots": dots}


def test_covariance_over_the_mat_by_hand():
    """Of a straight-down camera only the centre is unsure: 0.3 px are 0.3 mm everywhere along x."""
    covariance = np.zeros((15, 15))
    covariance[2, 2] = 0.09
    device = Device(straight_down(), covariance, 0.0)
    u = device.u_mat_mm(np.array([[0.0, 0.0], [450.0, 300.0], [900.0, 600.0]]))
    assert u == pytest.approx(np.broadcast_to([[0.09, 0.0], [0.0, 0.0]], (3, 2, 2)), abs=1e-12)
    # half way up to the lens a pixel is half as large
    assert device.u_mat_mm(np.array([[450.0, 300.0]]), 500.0)[0, 0, 0] == pytest.approx(0.0225)


def test_covariance_is_the_spread_of_drawn_rigs():
    rng, device = np.random.default_rng(9), rig().projector
    points = np.array([[100.0, 50.0], [800.0, 550.0]])
    px = device.pinhole.px_from_mat(points, 2.0)
    root, n = np.linalg.cholesky(device.covariance + 1e-18 * np.eye(15)), 2000
    drawn = np.stack([moved(device.pinhole, root @ rng.normal(size=15)).mat_from_px(px, 2.0) for _ in range(n)])
    stated = device.u_mat_mm(points, 2.0)
    for i in range(2):
        spread = np.cov((drawn[:, i] - points[i]).T)
        ratio = np.trace(np.linalg.solve(stated[i], spread)) / 2
        assert abs(ratio - 1) < 4 * np.sqrt(1 / n)  # 2n squares of a normal


def test_a_wrong_scale_counts_from_the_middle():
    plain = rig(projector=False)
    exact = Rig(plain.camera, None, 0.0, plain.area_mat_mm, plain.made)
    points = np.array([[450.0, 300.0], [850.0, 300.0]])
    more = plain.u_camera_mm(points) - exact.u_camera_mm(points)
    assert more[:, 0, 0] == pytest.approx([0.0, (1e-4 * 400) ** 2])


def test_over_the_area_worst_is_not_below_rms():
    one = rig()
    for over in (one.camera_over_area(), one.projector_over_area()):
        assert over is not None
        assert 0 < over.rms_mm <= over.worst_mm
    assert rig(projector=False).projector_over_area() is None
    with pytest.raises(ValueError, match="no projector"):
        rig(projector=False).u_projector_mm(np.zeros((1, 2)))


def test_grid_points_lie_inside_and_hold_the_corners():
    area = np.array([[0.0, 0.0], [100.0, 0.0], [0.0, 50.0]])
    points = grid_points(area, 10)
    assert np.all(shapely.distance(shapely.points(points), shapely.Polygon(area)) < 1e-9)
    assert {tuple(p) for p in area} <= {tuple(p) for p in points}


def test_footprint_by_hand():
    # 4 px of rim: 992 x 592 mm about (450, 300)
    assert footprint_mat_mm(straight_down()).bounds == pytest.approx((-46.0, 4.0, 946.0, 596.0))


def test_area_is_what_both_reach_near_what_is_known():
    known = np.array([[100.0, 100.0], [700.0, 100.0], [700.0, 500.0], [100.0, 500.0]])
    area = area_mat_mm(straight_down(), known)
    polygon = shapely.Polygon(area)
    assert polygon.exterior.is_ccw
    assert polygon.bounds == pytest.approx((0.0, 4.0, 800.0, 596.0), abs=0.6)  # x: 100 mm past what is known
    narrow = straight_down(focal_px=2000.0)
    lit = shapely.Polygon(area_mat_mm(straight_down(), known, narrow))
    assert lit.bounds == pytest.approx((202.0, 152.0, 698.0, 448.0), abs=0.6)
    elsewhere = Pinhole(narrow.lens, FLIP, -FLIP @ np.array([5000.0, 0.0, 1000.0]))
    with pytest.raises(ValueError, match="no part of the mat in common"):
        area_mat_mm(straight_down(), known, elsewhere)


def test_a_camera_that_sees_the_horizon_has_a_bounded_area():
    rotation = turn(np.array([-1.35, 0.0, 0.0])) @ FLIP
    slanting = Pinhole(straight_down().lens, rotation, -rotation @ np.array([450.0, -300.0, 300.0]))
    known = np.array([[300.0, 0.0], [600.0, 0.0], [600.0, 200.0], [300.0, 200.0]])
    outline = area_mat_mm(slanting, known)
    assert np.isfinite(outline).all()
    assert shapely.Polygon(outline).area <= shapely.MultiPoint(known).convex_hull.buffer(151).area


@pytest.mark.parametrize("projector", [True, False])
def test_there_and_back_is_exact(tmp_path, projector):
    path, one = tmp_path / "rig.json", rig(projector)
    save_rig(one, path)
    back = load_rig(path)
    assert (back.made, back.frame, back.views, back.notes, back.scale_u) == (
        one.made,
        one.frame,
        one.views,
        one.notes,
        one.scale_u,
    )
    assert np.array_equal(back.area_mat_mm, one.area_mat_mm)
    for a, b in [(one.camera, back.camera), (one.projector, back.projector)]:
        if a is None:
            assert b is None
            continue
        assert a.pinhole.lens.size_px == b.pinhole.lens.size_px
        assert np.array_equal(lens_vector(a.pinhole.lens), lens_vector(b.pinhole.lens))
        assert np.array_equal(a.pinhole.rotation, b.pinhole.rotation)
        assert np.array_equal(a.pinhole.translation_mm, b.pinhole.translation_mm)
        assert np.array_equal(a.covariance, b.covariance)
        assert a.residual_px == b.residual_px
    assert [p.name for p in tmp_path.iterdir()] == ["rig.json"]  # no half file is left


def test_what_is_known_of_the_mat_comes_back_exactly(tmp_path):
    one = rig()
    save_rig(one, tmp_path / "rig.json")
    back = load_rig(tmp_path / "rig.json")
    for key in ("frame", "frame_how", "mat_mm", "scale_how", "blur_px"):
        assert getattr(back, key) == getattr(one, key)
    for part, keys in {
        "tone": ("linear_of_byte", "how"),
        "landmarks": ("places_mat_mm", "places_px", "information_px2", "patches", "small"),
        "dots": ("projector_px", "sigma_px", "camera_px", "u_px"),
    }.items():
        for key in keys:
            assert np.array_equal(getattr(getattr(back, part), key), getattr(getattr(one, part), key), part == "dots")
    assert back.landmarks.patches.dtype == np.uint8


def test_a_mat_of_which_nothing_is_known_comes_back(tmp_path):
    plain = replace(rig(), mat_mm=None, landmarks=None, dots=None, blur_px=None)
    save_rig(plain, tmp_path / "rig.json")
    back = load_rig(tmp_path / "rig.json")
    assert (back.mat_mm, back.landmarks, back.dots, back.blur_px) == (None, None, None, None)


def test_the_sheets_board_is_kept_and_an_older_file_of_this_schema_has_none(tmp_path):
    path = tmp_path / "rig.json"
    save_rig(replace(rig(), board="charuco:7x5:40mm:30mm:DICT_4X4_50"), path)
    assert load_rig(path).board == "charuco:7x5:40mm:30mm:DICT_4X4_50"
    data = json.loads(path.read_text())
    del data["board"]
    path.write_text(json.dumps(data))
    assert load_rig(path).board == ""


def test_a_file_of_schema_1_is_read_with_the_doubt_it_deserves(tmp_path):
    path = tmp_path / "rig.json"
    save_rig(rig(), path)
    data = json.loads(path.read_text(encoding="utf-8"))
    for key in ("frame_how", "mat_mm", "scale_how", "tone", "blur_px", "landmarks", "dots"):
        del data[key]
    path.write_text(json.dumps(data | {"schema": 1, "scale_u": 0.0}), encoding="utf-8")
    old = load_rig(path)
    assert (old.scale_u, old.scale_how) == (0.01, "no reading of the bars")
    assert old.tone.how == SRGB.how
    assert (old.landmarks, old.dots, old.mat_mm, old.blur_px) == (None, None, None, None)


@pytest.mark.parametrize(
    ("spoilt", "says"),
    [
        (lambda r: replace(r, camera=replace(r.camera, covariance=np.full((15, 15), np.nan))), "camera has values"),
        (lambda r: replace(r, projector=replace(r.projector, residual_px=np.inf)), "projector has values"),
        (lambda r: replace(r, projector=replace(r.projector, covariance=1e4 * np.eye(15))), "in doubt by"),
        (lambda r: replace(r, scale_u=float("nan")), "area or scale"),
    ],
)
def test_a_bad_rig_is_never_written_over_a_good_one(tmp_path, spoilt, says):
    path = tmp_path / "rig.json"
    save_rig(rig(), path)
    good = path.read_bytes()
    with pytest.raises(RigError, match=says):
        save_rig(spoilt(rig()), path)
    assert path.read_bytes() == good
    assert [p.name for p in tmp_path.iterdir()] == ["rig.json"]


def spoilt(change):
    def spoil(data):
        change(data)
        return json.dumps(data)

    return spoil


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda _: "{", "not a rig file"),
        (lambda _: "[]", "not a rig file"),
        (lambda _: '{"schema": 1}', "not a rig file"),
        (lambda _: "\x00\x01", "not a rig file"),
        (spoilt(lambda d: d.update(schema=3)), "schema 3 is newer"),
        (spoilt(lambda d: d.update(schema="x")), "schema 'x' is unknown"),
        (spoilt(lambda d: d.pop("camera")), "camera is missing"),
        (spoilt(lambda d: d.update(camera=3)), "camera is not a set of keys"),
        (spoilt(lambda d: d["camera"].pop("covariance")), "covariance is missing"),
        (spoilt(lambda d: d["camera"]["covariance"].pop()), "covariance has the wrong number"),
        (spoilt(lambda d: d["camera"].update(focal_px=[1.0, float("nan")])), "focal_px has values"),
        (spoilt(lambda d: d["camera"].update(focal_px=[1.0, "wide"])), "focal_px is not made of numbers"),
        (spoilt(lambda d: d["camera"].update(focal_px=[1.0, -1.0])), "no size or no focal length"),
        (spoilt(lambda d: d["projector"].update(rotation_from_mat=[[1, 0, 0]] * 3)), "no rotation"),
        (spoilt(lambda d: d.update(area_mat_mm=[[0, 0], [1, 1]])), "fewer than 3 corners"),
        (spoilt(lambda d: d.update(made="yesterday")), "made is not a date"),
        (spoilt(lambda d: d["tone"]["linear_of_byte"].reverse()), "linear_of_byte does not rise"),
        (spoilt(lambda d: d["landmarks"].update(patches="AAAA")), "patches has the wrong number of bytes"),
        (spoilt(lambda d: d["landmarks"].update(small="%")), "small is not base64"),
        (spoilt(lambda d: d["landmarks"]["places_px"].pop()), "lists of different lengths"),
        (spoilt(lambda d: d["dots"]["projector_px"].pop()), "lists of different lengths"),
        (spoilt(lambda d: d.update(mat_mm=[1.0])), "mat_mm has the wrong number"),
        (spoilt(lambda d: d.update(views="one")), "views is not a list"),
        (spoilt(lambda d: d.update(notes=[1])), "notes is not text"),
    ],
)
def test_a_file_that_is_no_sound_rig_is_refused_in_one_line(tmp_path, spoil, says):
    path = tmp_path / "rig.json"
    save_rig(rig(), path)
    path.write_text(spoil(json.loads(path.read_text(encoding="utf-8"))), encoding="utf-8")
    with pytest.raises(RigError) as refusal:
        load_rig(path)
    assert says in str(refusal.value)
    assert str(path) in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_no_file_and_no_place_to_write(tmp_path):
    with pytest.raises(RigError, match="cannot be read"):
        load_rig(tmp_path / "none.json")
    with pytest.raises(RigError, match="cannot be written"):
        save_rig(rig(), tmp_path / "nowhere" / "rig.json")


def test_a_place_is_tried_without_leaving_anything_there(tmp_path):
    check_place(tmp_path / "rig.json")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").touch()
    for place in (tmp_path, tmp_path / "nowhere" / "rig.json", tmp_path / "file" / "rig.json"):
        with pytest.raises(RigError, match="cannot be written"):
            check_place(place)
