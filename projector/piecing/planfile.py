"""Plan files on disk: the one module of the trade that reads a file."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from projector.piecing.planreading import plan_from_text
from projector.piecing.plans import Plan, expected_shape
from projector.piecing.shapes import Shape, parse_shape
from projector.piecing.tables import MOST_BYTES, PlanError


@dataclass(frozen=True, slots=True)
class Wanted:
    """A shape to compare with; a tolerance of None is whatever the caller goes by."""

    shape: Shape
    tolerance_mm: float | None = None
    angle_tolerance_rad: float | None = None
    side_tolerances_mm: tuple[float, ...] = ()


def load_plan(path: Path) -> Plan:
    """Read a plan file. Raises PlanError, also where the file cannot be read."""
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise PlanError(f"{path}: cannot be read ({error.strerror}); give the path of a plan file") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise PlanError(f"{path}: not a text in UTF-8; give a plan file (TOML)") from None
    return plan_from_text(text, path.name)


def demo_plan() -> Plan:
    """The plan that a rehearsal cuts when it is given none."""
    text = resources.files("projector.piecing").joinpath("plans/demo.toml").read_text(encoding="utf-8")
    return plan_from_text(text, "demo.toml")


def unit_of_plan(text: str) -> tuple[Path | None, str | None]:
    """The plan file and the name of its unit, where a text says so, and else nothing.

    >>> unit_of_plan("plan.toml: wave"), unit_of_plan("square(4 1/2 in)")
    ((PosixPath('plan.toml'), 'wave'), (None, None))
    """
    file, colon, name = text.rpartition(":")
    if not colon or text.rstrip().endswith(")"):
        return None, None
    return Path(file.strip()), name.strip()


def wanted_shape(text: str) -> Wanted:
    """Read what `--expect` takes: a shape of `shapes.GRAMMAR`, or a unit of a plan as `plan.toml:name`.

    A unit of a plan brings the plan's tolerance, or its own. Raises ShapeError, PlanError.
    """
    file, name = unit_of_plan(text)
    if file is None or name is None:
        return Wanted(parse_shape(text))
    plan = load_plan(file)
    names = [unit.name for unit in plan.units]
    if name not in names:
        do = f"name one of {', '.join(names)}" if names else "the plan has none yet, add it"
        raise PlanError(f'{file}: no unit "{name}"; {do}')
    unit = plan.unit(name)
    return Wanted(
        expected_shape(plan, unit),
        plan.tolerance_mm if unit.tolerance_mm is None else unit.tolerance_mm,
        plan.angle_tolerance_rad if unit.angle_tolerance_rad is None else unit.angle_tolerance_rad,
        unit.side_tolerances_mm,
    )
