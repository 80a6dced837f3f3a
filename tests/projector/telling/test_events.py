"""What scripts rely on: one JSON object a line, exact keys, plain numbers; and words for people."""

from __future__ import annotations

import io
import json
import math
import subprocess
import sys
import textwrap
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from projector.telling.events import Teller, unit_event
from projector.telling.sentences import sentence
from vision.outlines.sidedoubt import SideDoubt, corner_slopes
from vision.units import Curved, Finding, FindingKind, Judged, MeasuredUnit, Seam, Verdict, Width


class FixedClock:
    def now_s(self) -> float:
        return 1.23456

    def wait_s(self, seconds: float) -> None: ...


def told(event: str, as_json: bool = True, **keys: object) -> tuple[str, str, list[dict[str, object]]]:
    out, err, heard = io.StringIO(), io.StringIO(), list[dict[str, object]]()
    teller = Teller(FixedClock(), as_json, out, err, [heard.append])
    teller.tell(event, **keys)
    return out.getvalue(), err.getvalue(), heard


def test_with_json_one_object_a_line_goes_out_and_words_go_to_the_error_stream() -> None:
    out, err, heard = told("ask", what="clear_mat")
    assert out == '{"event": "ask", "t": 1.235, "what": "clear_mat"}\n'
    assert err == "Please clear the mat.\n"
    assert heard == [{"event": "ask", "t": 1.235, "what": "clear_mat"}]


def test_without_json_only_words_go_out() -> None:
    out, err, heard = told("ask", as_json=False, what="cut", n=3, of=12)
    assert (out, err) == ("Please cut along the line (3 of 12).\n", "")
    assert heard[0]["of"] == 12


def test_numbers_of_numpy_are_numbers_and_what_is_not_finite_is_null() -> None:
    keys: dict[str, Any] = {
        "a": np.float32(0.5),
        "b": np.array([[1.0, math.nan]]),
        "c": float("inf"),
        "d": (np.int64(3), np.bool_(True)),
        "e": {Verdict.FITS.value: np.int32(2)},
        "f": "3\n4 ½",
    }
    out, _, _ = told("summary", **keys)
    assert out.count("\n") == 1
    read = json.loads(out, parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))
    assert {k: read[k] for k in keys} == {
        "a": 0.5,
        "b": [[1.0, None]],
        "c": None,
        "d": [3, True],
        "e": {"fits": 2},
        "f": "3\n4 ½",
    }


def measured() -> MeasuredUnit:
    """A 60 by 40 mm rectangle with a seam, by hand."""
    return MeasuredUnit(
        corners_mat_mm=np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 40.0], [0.0, 40.0]]),
        corners_u_mm=np.array([0.05, 0.07, 0.06, 0.05]),
        offsets_u_mm=np.full(4, 0.03),
        tilts_u_rad=np.array([0.0003, 0.0004, 0.0003, 0.0004]),
        bows_mm=np.array([0.1, 0.0, -0.1, 0.0]),
        widths=(Width((0, 2), 40.0, 39.9, 40.1, 0.04), Width((1, 3), 60.0, 60.0, 60.0, 0.04)),
        seams=(Seam(np.array([[0.0, 20.0], [60.0, 20.0]]), 0.1),),
    )


CORNERS = [[0, 0], [240, 0], [240, 180], [0, 180]]
KEYS = [
    *("event", "frame", "expected", "outline_mat_mm", "sides_mm", "angles_deg", "angles_u_deg", "widths_mm", "seams"),
    *("offsets_mm", "offsets_u_mm", "bows_mm", "u_mm", "verdict", "fit_probability", "findings"),
    *("sides_u_mm", "bows_u_mm", "u_parts_mm", "curved"),
]


def test_a_judged_unit_has_every_key_that_scripts_rely_on() -> None:
    judged = Judged(measured(), "slab", np.array([0.1, 0.2, 0.0, math.nan]), np.full(4, 0.05), Verdict.TRIM, 0.12, "x")
    event = unit_event(judged, "a.png")
    assert [key for key in event if key != "why"] == KEYS
    assert event["frame"] == "a.png"
    assert event["outline_mat_mm"] == [[0.0, 0.0], [60.0, 0.0], [60.0, 40.0], [0.0, 40.0]]
    assert event["sides_mm"] == [60.0, 40.0, 60.0, 40.0]
    assert event["angles_deg"] == [90.0, 90.0, 90.0, 90.0]
    assert event["angles_u_deg"] == pytest.approx([math.degrees(0.0005)] * 4, abs=1e-5)
    first: Any = event["widths_mm"]
    assert first[0] == {"sides": [0, 2], "mean": 40.0, "least": 39.9, "greatest": 40.1, "u": 0.04}
    assert event["seams"] == [{"from": [0.0, 20.0], "to": [60.0, 20.0], "u": 0.1}]
    assert event["offsets_mm"] == [0.1, 0.2, 0.0, None]
    assert event["u_mm"] == 0.07  # the greatest of a corner's
    assert (event["verdict"], event["fit_probability"]) == ("trim", 0.12)
    json.dumps(event, allow_nan=False)


def test_without_an_expected_shape_what_follows_from_it_is_null() -> None:
    event = unit_event(Judged(measured()), None)
    nulls = {key for key, value in event.items() if value is None}
    not_known = {"sides_u_mm", "bows_u_mm", "u_parts_mm", "curved"}  # nor where the measurement does not tell
    assert nulls == {"frame", "expected", "offsets_mm", "offsets_u_mm", "verdict", "fit_probability"} | not_known


def doubted() -> MeasuredUnit:
    """The same with a joint covariance whose parts differ."""
    unit = measured()
    each = np.diag([0.03**2] * 4 + [0.0003**2] * 4)
    doubt = SideDoubt(unit.corners_mat_mm, each, 0.25 * each, 0.04 * each, 0.09 * each)
    corners_u = [math.sqrt(np.linalg.norm(doubt.of(corner_slopes(unit.corners_mat_mm)[k : k + 2]), 2)) for k in (0, 2)]
    return replace(unit, doubt=doubt, corners_u_mm=np.array(corners_u * 2), bows_u_mm=np.full(4, 0.05))


def test_what_the_uncertainty_is_made_of() -> None:
    event: Any = unit_event(Judged(doubted()), None)
    parts = event["u_parts_mm"]
    assert list(parts) == ["repeatable", "rig", "scale", "cloth"]
    assert math.hypot(*parts.values()) == pytest.approx(event["u_mm"], abs=1e-4)
    assert [parts[k] / parts["repeatable"] for k in ("rig", "scale", "cloth")] == pytest.approx(
        [0.5, 0.2, 0.3], abs=0.01
    )
    # By hand: a long side ends at its neighbours, offset by 0.03 each, tilted 20 mm away from their midpoints.
    grown = math.sqrt(1.0 + 0.25 + 0.04 + 0.09)
    assert event["sides_u_mm"][0] == pytest.approx(math.hypot(0.03, 0.0003 * 20) * math.sqrt(2.0) * grown, abs=1e-4)
    assert event["bows_u_mm"] == [0.05] * 4


def test_findings_are_told_with_their_sides_and_null_where_there_is_no_amount() -> None:
    found = (
        Finding(FindingKind.TURNED_OVER, (), math.nan, math.nan),
        Finding(FindingKind.SIDE_OFF, (1, 3), 0.51234, 0.02, (0.51234, 0.49)),
        Finding(FindingKind.SIDE_TURNED, (2,), -0.7, 0.05),
    )
    event = unit_event(Judged(measured(), "slab", findings=found), None)
    assert event["findings"] == [
        {"kind": "turned_over", "sides": [], "value": None, "u": None},
        {"kind": "side_off", "sides": [1, 3], "value": 0.5123, "u": 0.02, "values": [0.5123, 0.49]},
        {"kind": "side_turned", "sides": [2], "value": -0.7, "u": 0.05},
    ]


def test_a_curved_piece_has_an_outline_and_no_sides() -> None:
    turns = np.linspace(0.0, 2.0 * math.pi, 60, endpoint=False)
    unknown = np.full(60, math.nan)
    outline = np.column_stack([np.cos(turns), np.sin(turns)]) * 40.0
    curved = Curved(5026.5, 12.0, 80.0, 0.1)
    event: Any = unit_event(Judged(MeasuredUnit(outline, unknown, unknown, unknown, unknown, (), curved=curved)), None)
    assert event["curved"] == {"area_mm2": 5026.5, "area_u_mm2": 12.0, "least_size_mm": 80.0, "least_size_u_mm": 0.1}
    assert (event["sides_mm"], event["angles_deg"], event["bows_mm"]) == ([], [], [])
    json.dumps(event, allow_nan=False)


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (
            {"event": "ask", "what": "sheet_flat", "n": 2, "of": 7, "place": {"frame": "mat", "corners": CORNERS}},
            "Please lay the printed sheet flat on the mat around 120 mm from its left and 90 mm from its near "
            "edge (2 of 7).",
        ),
        ({"event": "ask", "what": "unheard_of"}, "Please unheard of."),
        (
            {"event": "ask", "what": "cloth", "n": 1, "of": 3, "name": "sea", "how": "single, raw end right"},
            "Please lay the cloth on the mat: sea, single, raw end right (1 of 3).",
        ),
        (
            {"event": "ask", "what": "cut", "n": 2, "of": 3, "purpose": "true_up", "why": "square it to the fold"},
            "Please cut along the line: square it to the fold (2 of 3).",
        ),
        (
            {"event": "strip", "width_mm": 63.5, "width_u_mm": 0.1, "ends": [], "bend_deg": -0.3, "bend_u_deg": 0.02},
            "strip: measured, not judged; 2 1/2 in (63.50 ± 0.10 mm) wide; no end in the picture; opened, it bends by "
            "0.30 ± 0.02 deg at the fold.",
        ),
        (
            {"event": "seen", "what": "strip_set", "t": 3, "width_mm": 60.5, "seams": [1]},
            "Seen: strip set, width mm 60.5.",
        ),
        (
            {"event": "refused", "what": "sheet_flat", "why": "same_place", "do": "move it on"},
            "Not used, flat sheet same place: move it on.",
        ),
        ({"event": "shown", "scene": "cut", "keep": "left"}, "Light: cut, keep what lies left of the line."),
        (
            unit_event(Judged(measured(), "slab", verdict=Verdict.TURNED_OVER), None),
            "unit slab: turned over; 1 37/64 in (40.00 ± 0.04 mm) and 2 23/64 in (60.00 ± 0.04 mm) wide.",
        ),
        (
            {
                "event": "rig",
                "file": "rig.json",
                "camera_u_mm": 0.041,
                "camera_u_worst_mm": 0.1,
                "projector_u_mm": None,
            },
            "Rig rig.json: camera is sure to 0.04 mm, 0.10 at worst.",
        ),
        ({"event": "moved", "what": "projector", "by_mm": 1.26}, "The projector has moved by 1.3 mm."),
        (
            {
                "event": "summary",
                "units": 12,
                "judged": 11,
                "verdicts": {"fits": 10, "trim": 1},
                "line_error_rms_mm": 0.2,
            },
            "12 units, 11 judged; 10 fits, 1 trim; lines 0.20 mm RMS off the truth.",
        ),
        ({"event": "summary", "units": 1, "judged": 0}, "1 unit, 0 judged."),
        ({"event": "error", "message": "no camera 3", "do": "plug it in"}, "Error: no camera 3; plug it in"),
        ({"event": "strip", "width_mm": 63.5}, "Strip, width mm 63.5."),
    ],
)
def test_every_kind_of_event_has_words(event: dict[str, object], words: str) -> None:
    assert sentence(event) == words


def test_a_reader_that_goes_away_makes_no_noise() -> None:
    code = """
        from projector.table.clock import WallClock
        from projector.telling.events import Teller
        teller = Teller(WallClock(), as_json=True)
        for n in range(20000):
            teller.tell("ask", what="unit", n=n)
    """
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline().startswith('{"event": "ask"')
        child.stdout.close()
        _, err = "", child.stderr.read() if child.stderr else ""
    assert child.returncode == 0
    assert "Traceback" not in err
    assert "Broken" not in err
    assert err.count("\n") == 20000  # the words for people still came


def test_what_ends_the_program_is_parted_into_what_is_wrong_and_what_to_do() -> None:
    out, err = io.StringIO(), io.StringIO()
    Teller(FixedClock(), True, out, err).refuse("shot; 1.jpg: no picture\nthat can be read; save it as .png")
    event = json.loads(out.getvalue())
    assert (event["event"], event["message"]) == ("error", "shot; 1.jpg: no picture that can be read")
    assert event["do"] == "save it as .png"
    assert err.getvalue() == "chalkbeam: shot; 1.jpg: no picture that can be read; save it as .png\n"
