"""Measure a whole folder of rendered frames through the command line and score it against the truth.

    python -m tests.whole.frames_score FOLDER [--markdown]

FOLDER holds truth.json, board_flat_*.jpg, board_tilt_*.jpg, empty_*.jpg, units_*.jpg, and may hold strip_*.jpg and
star_*.jpg. The tool runs as a person would run it, in processes of its own, the nominal shapes of each photograph
being expected; nothing else of the truth is read before the score. Units with a bowed or frayed side count as found or
missed but not in the figures of straight-sided units.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.rigfile import load_rig
from tests.whole import table_findings, table_pieces
from tests.whole.plain_recipe import outlines_mat_mm, widths_mm
from tests.whole.table_truth import CLASSES, Matched, Measured, mat_from_sheet, match, true_units
from vision.frames.pictures import read_picture
from vision.polygons import interior_angles

Floats = NDArray[np.float64]

HEAD = (
    "what,units,found,look again,widths,bias,RMS,median,worst,worst judged,corners RMS,angles RMS,"
    "(error/u)^2: widths,offsets,angles,seams found,seams RMS"
)
# What is asked of each class: width RMS (mm), angles RMS (degrees), corners RMS (mm).
WANTED = dict(zip(CLASSES, ((0.03, 0.03, 0.05), (0.06, 0.06, 0.08), (0.10, 0.12, 0.15)), strict=True))
PIECES = {"strip": "strip(160 mm)", "star": "star(16, 457.2 mm)"}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--markdown", action="store_true", help="write the table as Markdown")
    options = parser.parse_args()
    folder = options.folder
    truth = json.loads((folder / "truth.json").read_text())
    with tempfile.TemporaryDirectory() as scratch:
        rig = Path(scratch) / "rig.json"
        run(
            "calibrate",
            "--flat",
            *names(folder, "board_flat"),
            "--tilted",
            *names(folder, "board_tilt"),
            "--bar",
            "exact",
            "-o",
            rig,
        )
        events = expected_check(rig, folder, truth)
        whole = [event for kind, shape in PIECES.items() for event in pieces(rig, folder, kind, shape)]
        on_empty = invented_on_empty(rig, names(folder, "empty"))
        plain = plain_events(rig, names(folder, "empty"), names(folder, "units"))
    ours, theirs = (score(truth, measured) for measured in (events, plain))
    methods = {"": ours, ", plain recipe": theirs}
    rows = [[name + how, *figures(name, frames)] for name in (*CLASSES, "all") for how, frames in methods.items()]
    write([HEAD.split(","), *rows], options.markdown)
    print(f"\ninvented: {count_invented(ours)} among units, {on_empty} on the empty mat;", end=" ")
    print(f"plain recipe {count_invented(theirs)}. Lengths in mm, angles in degrees.")
    for name in (*CLASSES, "all"):
        ratio = rms_of(name, theirs) / rms_of(name, ours)
        print(f"{name}: the plain recipe", f"has {ratio:.1f} times our width RMS" if ratio > 0 else "finds none")
    targets(ours)
    table_findings.report(pair for matched in ours for pair in matched.pairs)
    table_pieces.report(truth["frames"], whole, mat_of(truth))
    for one in (unit for matched in ours for unit in matched.missed):
        print(f"missed: {one.frame} {one.name}, {' and '.join(one.fabrics)}")
    return 0


def names(folder: Path, kind: str) -> list[Path]:
    return sorted(folder.glob(f"{kind}_*.jpg"))


def run(*words: object) -> list[dict[str, Any]]:
    """Run the tool in a process of its own; its events."""
    command = [sys.executable, "-m", "projector", *map(str, words), "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(command[:4])} ended with {done.returncode}: {done.stderr.strip()[-500:]}")
    return [json.loads(line) for line in done.stdout.splitlines()]


def expected_check(rig: Path, folder: Path, truth: dict[str, Any]) -> list[dict[str, Any]]:
    """The units of each photograph, the nominal shapes of what lies in it being expected."""
    events = list[dict[str, Any]]()
    for frame in (frame for frame in truth["frames"] if frame["kind"] == "units"):
        shapes = sorted({table_findings.expected_text(one) for one in frame["objects"]})
        events += check(rig, names(folder, "empty"), [folder / frame["file"]], shapes)
    return events


def pieces(rig: Path, folder: Path, kind: str, shape: str) -> list[dict[str, Any]]:
    """The strips or the blocks of their photographs."""
    photographs, bare = names(folder, kind), [w for path in names(folder, "empty") for w in ("--empty", path)]
    if not photographs:
        return []
    told = run("check", *photographs, "--rig", rig, *bare, "--expect", shape)
    return [event for event in told if event["event"] in ("strip", "block")]


def check(
    rig: Path, empty: Sequence[Path], photographs: Sequence[Path], shapes: Iterable[str] = ()
) -> list[dict[str, Any]]:
    """The units of all photographs."""
    bare: list[object] = [word for path in empty for word in ("--empty", path)]
    bare += [word for shape in shapes for word in ("--expect", shape)]
    return [event for event in run("check", *photographs, "--rig", rig, *bare) if event["event"] == "unit"]


def invented_on_empty(rig: Path, empty: Sequence[Path]) -> int:
    """Units found on each picture of the empty mat, the others being its reference."""
    return sum(len(check(rig, [other for other in empty if other != one], [one])) for one in empty)


def plain_events(rig: Path, empty: Sequence[Path], photographs: Sequence[Path]) -> list[dict[str, Any]]:
    """The same lines from the plain recipe, through the same rig."""
    camera = load_rig(rig).camera.pinhole
    bare = np.mean([read_picture(path) for path in empty], axis=0).round().astype(np.uint8)
    return [
        {
            "frame": str(path),
            "outline_mat_mm": outline,
            "widths_mm": [{"sides": k, "mean": w, "u": np.nan} for k, w in widths_mm(outline).items()],
            "angles_deg": np.degrees(interior_angles(outline)),
            "seams": [],
        }
        for path in photographs
        for outline in outlines_mat_mm(read_picture(path), bare, camera)
    ]


def mat_of(truth: dict[str, Any]) -> Floats:
    """(2, 3): from the rig's frame, that of the first flat sheet, to the mat's."""
    boards = [frame for frame in truth["frames"] if frame["kind"] == "board_flat"]
    return mat_from_sheet(min(boards, key=lambda frame: str(frame["file"]))["objects"][0])


def score(truth: dict[str, Any], events: Iterable[dict[str, Any]]) -> list[Matched]:
    """Each frame's units beside its truth. The rig's frame is that of the first flat sheet."""
    to_mat = mat_of(truth)
    measured: dict[str, list[Measured]] = {}
    for event in events:
        measured.setdefault(Path(event["frame"]).name, []).append(Measured.of_event(event, to_mat))
    frames = [frame for frame in truth["frames"] if frame["kind"] == "units"]
    return [match(true_units(frame), measured.get(frame["file"], [])) for frame in frames]


def straight_widths(name: str, frames: Sequence[Matched]) -> Floats:
    """(N, 2) error and stated uncertainty of the widths of straight-sided units of a class."""
    pairs = [p for m in frames for p in m.pairs if p.truth.straight and name in ("all", p.truth.fabric_class)]
    return np.array([width for pair in pairs for width in pair.widths()], float).reshape(-1, 2)


def rms_of(name: str, frames: Sequence[Matched]) -> float:
    return rms(straight_widths(name, frames)[:, 0])


def figures(name: str, frames: Sequence[Matched]) -> list[str]:
    """One row of the table: a class of fabrics."""
    pairs = [p for m in frames for p in m.pairs if name in ("all", p.truth.fabric_class)]
    missed = [t for m in frames for t in m.missed if name in ("all", t.fabric_class)]
    straight = [pair for pair in pairs if pair.truth.straight]
    widths = straight_widths(name, frames)
    error, u = widths.T if len(widths) else np.full((2, 1), np.nan)
    seamed = [pair.seam_mm() for pair in straight if pair.truth.seam_mat_mm is not None]
    seams = [off for ends in seamed if ends is not None for off in ends]
    judged = [abs(off) for pair in straight if not pair.measured.look_again for off, _ in pair.widths()]
    numbers = [
        np.mean(error),
        rms(error),
        np.median(np.abs(error)),
        np.max(np.abs(error)),
        max(judged, default=np.nan),
        rms([off for pair in straight for off in pair.corners_mm()]),
        rms([off for pair in straight for off in pair.angles_deg()]),
        np.mean((error / u) ** 2),
        honesty([one for pair in straight for one in pair.offsets_and_u_mm()]),
        honesty([one for pair in straight for one in pair.angles_and_u_deg()]),
    ]
    again = sum(pair.measured.look_again for pair in pairs)
    counts = [str(len(pairs) + len(missed)), str(len(pairs)), str(again), str(len(widths))]
    found = f"{sum(ends is not None for ends in seamed)} of {len(seamed)}"
    return [*counts, *(f"{number:.3f}" for number in numbers), found, f"{rms(seams):.3f}" if seams else "-"]


def honesty(errors: Sequence[tuple[float, float]]) -> float:
    """Mean (error/u)^2."""
    return float(np.mean([(off / u) ** 2 for off, u in errors])) if errors else float("nan")


def targets(frames: Sequence[Matched]) -> None:
    """Print which of the figures that are asked for are reached."""
    pairs = [pair for matched in frames for pair in matched.pairs if pair.truth.straight]
    asked = list[tuple[str, float, float]]()
    for name, (width, angle, corner) in WANTED.items():
        own = [pair for pair in pairs if pair.truth.fabric_class == name]
        asked.append((f"{name}: width RMS, mm", rms_of(name, frames), width))
        asked.append((f"{name}: angles RMS, degrees", rms([off for pair in own for off in pair.angles_deg()]), angle))
        asked.append((f"{name}: corners RMS, mm", rms([off for pair in own for off in pair.corners_mm()]), corner))
    judged = [abs(off) for pair in pairs if not pair.measured.look_again for off, _ in pair.widths()]
    asked.append(("bias of all widths, mm", abs(float(np.mean(straight_widths("all", frames)[:, 0]))), 0.015))
    asked.append(("worst width that is judged, mm", max(judged, default=np.nan), 0.15))
    found = [pair for matched in frames for pair in matched.pairs]
    asked.append(("share to look at again", sum(p.measured.look_again for p in found) / max(len(found), 1), 0.05))
    for alike, most in ((False, 0.06), (True, 0.15)):
        seamed = [pair for pair in pairs if bool(pair.truth.told.get("low_contrast_pair")) is alike]
        ends = [off for pair in seamed for off in pair.seam_mm() or []]
        asked.append((f"seams of fabrics that {'hardly ' if alike else ''}differ, mm", rms(ends), most))
    for what, has, most in asked:
        print(f"{'met' if has <= most else 'missed'}: {what} {has:.3f} (at most {most:g})")


def rms(values: Floats | Sequence[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else float("nan")


def count_invented(frames: Sequence[Matched]) -> int:
    return sum(len(matched.invented) for matched in frames)


def write(rows: Sequence[Sequence[str]], markdown: bool) -> None:
    if markdown:
        head, *body = (f"| {' | '.join(row)} |" for row in rows)
        print("\n".join([head, "|" + " --- |" * len(rows[0]), *body]))
        return
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    for first, *rest in rows:
        print(first.ljust(widths[0]), *(cell.rjust(width) for cell, width in zip(rest, widths[1:], strict=True)))


if __name__ == "__main__":
    sys.exit(main())
