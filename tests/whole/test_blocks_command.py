"""`chalkbeam blocks` as it is run, once as a process: each block with its parameters, and drawings that can be read."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest

from projector.piecing.blocks.catalogue import block_of, recipes
from tests.whole.process import chalkbeam, here, refused_here

SVG = "{http://www.w3.org/2000/svg}"


def test_every_block_is_told_with_its_parameters() -> None:
    done = chalkbeam("blocks", "--json")
    assert done.code == 0
    told = {event["name"]: event for event in done.told("block")}
    assert list(told) == [recipe.name for recipe in recipes()]
    for recipe in recipes():
        event = told[recipe.name]
        assert event["about"] == recipe.about
        given = {row["name"]: row["default"] for row in event["parameters"]}
        assert list(given) == [parameter.name for parameter in recipe.parameters]
        assert len(block_of(recipe.name, 400.0, given).patches) == len(block_of(recipe.name, 400.0, {}).patches)


def test_a_person_reads_a_plain_list(capfd: pytest.CaptureFixture[str]) -> None:
    done = here(capfd, "blocks", "log-cabin", "rail")
    assert done.code == 0
    lines = done.out.splitlines()
    assert lines[0].startswith("log cabin: ")
    assert lines[1].startswith("    rounds=3 ")
    assert [line for line in lines if not line.startswith(" ")] == [lines[0], lines[4]]


def test_drawings_show_what_the_block_is(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Every patch is an outline of its own in the SVG; in the PNG both fabrics of a nine patch are seen, 5 to 4."""
    names = ("nine patch", "compass star", "flying geese")
    done = here(capfd, "blocks", *names, "--picture", tmp_path / "drawn")
    assert done.code == 0
    for name in names:
        drawn = ElementTree.parse(tmp_path / "drawn" / f"{name.replace(' ', '_')}.svg").getroot()
        outlines = [path for path in drawn.iter(f"{SVG}path") if "stroke" in path.get("style", "")]
        block = block_of(name, 304.8, {})
        assert len(outlines) >= len(block.patches) + len(block.discs)
    assert here(capfd, "blocks", "nine patch", "--picture", tmp_path, "--kind", "png").code == 0
    picture = cv2.imread(str(tmp_path / "nine_patch.png"))
    assert picture is not None
    third = picture.shape[0] // 3
    cells = [
        picture[j : j + third, i : i + third] for j in range(0, 3 * third, third) for i in range(0, 3 * third, third)
    ]
    dark = [float(np.median(cell[20:-20, 20:-20])) < 180.0 for cell in cells]  # the median: patterns are drawn in lines
    assert dark == [True, False] * 4 + [True]


def test_what_cannot_be_told_or_drawn_is_one_line(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")
    refused_here(capfd, "blocks", "log cabbin", says='did you mean "log cabin"?')
    refused_here(capfd, "blocks", "rail", "--picture", tmp_path / "file", says="no folder")
    refused_here(capfd, "blocks", "compass star", "--picture", tmp_path, "--finish", "1 in", says="centre")
    refused_here(capfd, "blocks", "--kind", "gif", says="--kind")


def test_a_plan_tells_its_block_the_seam_allowance(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """30 wedges are 1/4 in wide at 2.39 in across, 3/8 in at 3.59 (plain trigonometry: end / sin 6 degrees)."""
    words = ("plan", "ring of wedges", "--finish", "12 in", "--set", "wedges=30", "--set", "centre=2 1/2 in")
    assert here(capfd, *words, "-o", tmp_path / "plan.toml").code == 0
    refused_here(capfd, *words, "--seam", "3/8 in", "-o", tmp_path / "other.toml", says="at least 91.13 mm")
