"""The plan, and its file: what was intended, and what was written down after the operation."""

from __future__ import annotations

import dataclasses
import math
import os
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import ConfigDict, Field, ValidationError, model_validator
from pydantic.dataclasses import dataclass

from xraymeasure.errors import PlanError
from xraymeasure.files.atomic import read_text
from xraymeasure.files.formats import adapter, describe_faults, load_toml
from xraymeasure.measuring.results import KnownSizes
from xraymeasure.reading.reading import Posture
from xraymeasure.vocabulary.landmarks import Side

Definition = Literal["radiographic", "operative", "anatomical"]
Plane = Literal["coronal", "anterior_pelvic"]

_FINITE = ConfigDict(allow_inf_nan=False)


_Inclination: TypeAlias = Annotated[float, Field(strict=True, ge=0.0, le=90.0)] | None
_Anteversion: TypeAlias = Annotated[float, Field(strict=True, gt=-90.0, lt=90.0)] | None
_Tilt: TypeAlias = Annotated[float, Field(strict=True, ge=-60.0, le=60.0)] | None
_CupDiameter: TypeAlias = Annotated[float, Field(strict=True, ge=20.0, le=100.0)] | None
_HeadDiameter: TypeAlias = Annotated[float, Field(strict=True, ge=15.0, le=70.0)] | None
_NeckShaftAngle: TypeAlias = Annotated[float, Field(strict=True, gt=90.0, lt=180.0)] | None
_Offset: TypeAlias = Annotated[float, Field(strict=True, gt=0.0, le=120.0)] | None
_Change: TypeAlias = Annotated[float, Field(strict=True, ge=-150.0, le=150.0)] | None
_AngleTolerance: TypeAlias = Annotated[float, Field(strict=True, gt=0.0, le=90.0)] | None
_LengthTolerance: TypeAlias = Annotated[float, Field(strict=True, gt=0.0, le=150.0)] | None


_AngleSpread: TypeAlias = Annotated[float, Field(strict=True, gt=0.0, le=30.0)] | None
_LengthSpread: TypeAlias = Annotated[float, Field(strict=True, gt=0.0, le=30.0)] | None


def _check_pair(angles: CupPlan | Recorded) -> None:
    """Refuse one angle alone where it takes both to convert either."""
    converted = angles.definition != "radiographic" or angles.plane != "coronal"
    if converted and (angles.inclination_deg is None) != (angles.anteversion_deg is None):
        raise ValueError(
            f"{angles.definition} angles to the {angles.plane.replace('_', ' ')} plane are "
            "converted as a pair; give both inclination_deg and anteversion_deg"
        )


@dataclass(frozen=True, config=_FINITE)
class CupPlan:
    """Where the cup was meant to be.

    Attributes
    ----------
    inclination_deg, anteversion_deg : float or None
        In `definition`, to `plane`.
    definition : {"radiographic", "operative", "anatomical"}
    plane : {"coronal", "anterior_pelvic"}
        The coronal plane of the film, or the plane of the iliac spines and the pubis.
    pelvic_tilt_deg : float or None
        From the anterior pelvic plane to the film's coronal plane; positive where the pelvis is
        tipped backward, which opens the cup.
    outer_diameter_mm : float or None
        Of the shell.
    """

    inclination_deg: _Inclination = None
    anteversion_deg: _Anteversion = None
    definition: Definition = "radiographic"
    plane: Plane = "coronal"
    pelvic_tilt_deg: _Tilt = None
    outer_diameter_mm: _CupDiameter = None

    @model_validator(mode="after")
    def _can_be_converted(self) -> CupPlan:
        _check_pair(self)
        if self.plane == "anterior_pelvic" and self.pelvic_tilt_deg is None:
            raise ValueError(
                'plane = "anterior_pelvic" needs pelvic_tilt_deg, the tilt of the pelvis on the '
                "film (positive: tipped backward)"
            )
        return self


@dataclass(frozen=True, config=_FINITE)
class FemurPlan:
    """The femoral side; `offset_change_mm` is after minus before."""

    head_diameter_mm: _HeadDiameter = None
    neck_shaft_angle_deg: _NeckShaftAngle = None
    offset_mm: _Offset = None
    offset_change_mm: _Change = None


@dataclass(frozen=True, config=_FINITE)
class LegLengthPlan:
    """Leg length: operated minus other side, or the operated side after minus before."""

    difference_mm: _Change = None
    change_mm: _Change = None


@dataclass(frozen=True, config=_FINITE)
class Tolerance:
    """How far from plan is still as planned; what has none gets no verdict."""

    inclination_deg: _AngleTolerance = None
    anteversion_deg: _AngleTolerance = None
    leg_length_mm: _LengthTolerance = None
    offset_mm: _LengthTolerance = None


@dataclass(frozen=True, config=_FINITE)
class Recorded:
    """What was written down at the end of the operation; angles as in `CupPlan`.

    The spreads are those of the way in which it was measured there, where one is known; then what
    was recorded has an interval of its own.
    """

    inclination_deg: _Inclination = None
    anteversion_deg: _Anteversion = None
    definition: Definition = "radiographic"
    plane: Plane = "coronal"
    leg_length_change_mm: _Change = None
    offset_change_mm: _Change = None
    angle_sd_deg: _AngleSpread = None
    length_sd_mm: _LengthSpread = None

    @model_validator(mode="after")
    def _can_be_converted(self) -> Recorded:
        _check_pair(self)
        return self


@dataclass(frozen=True, config=_FINITE)
class Plan:
    """The plan of one hip; everything but the side may be left open.

    `posture` is that of the film or the model on which it was made.
    """

    operated_side: Side
    cup: CupPlan = CupPlan()
    femur: FemurPlan = FemurPlan()
    leg_length: LegLengthPlan = LegLengthPlan()
    tolerance: Tolerance = Tolerance()
    recorded: Recorded = Recorded()
    posture: Posture | None = None

    @model_validator(mode="after")
    def _recorded_can_be_converted(self) -> Plan:
        if self.recorded.plane == "anterior_pelvic" and self.cup.pelvic_tilt_deg is None:
            raise ValueError(
                'recorded.plane = "anterior_pelvic" needs pelvic_tilt_deg in [cup], the tilt of '
                "the pelvis on the film (positive: tipped backward)"
            )
        return self


STATED: dict[str, tuple[str, str, str]] = {
    "head_diameter_mm": ("femur", "head_diameter_mm", "head {:g} mm"),
    "cup_diameter_mm": ("cup", "outer_diameter_mm", "cup {:g} mm"),
    "neck_shaft_angle_deg": ("femur", "neck_shaft_angle_deg", "neck-shaft angle {:g}°"),
}
"""What a plan states and a reading too: the reading's key, the plan's section and key, in words."""


def planned_sizes(plan: Plan) -> dict[str, float]:
    """Return the sizes that a plan states, by the reading's key."""
    sizes = {name: getattr(getattr(plan, part), of) for name, (part, of, _) in STATED.items()}
    return {name: value for name, value in sizes.items() if value is not None}


def other_sizes(plan: Plan, known: KnownSizes) -> dict[str, tuple[float, float]]:
    """Return the sizes that are not as planned: planned and used, by the reading's key.

    >>> other_sizes(Plan("left", femur=FemurPlan(32.0)), KnownSizes(head_diameter_mm=36.0))
    {'head_diameter_mm': (32.0, 36.0)}
    """
    both = {name: (size, getattr(known, name)) for name, size in planned_sizes(plan).items()}
    return {
        name: (planned, used)
        for name, (planned, used) in both.items()
        if used is not None and not math.isclose(planned, used)
    }


def planned_and_used(name: str, planned: float, used: float) -> str:
    """Return which size was planned and which was used, by the reading's key.

    >>> planned_and_used("head_diameter_mm", 32.0, 36.0)
    'Planned head 32 mm, used 36 mm'
    """
    words = STATED[name][2]
    return f"Planned {words.format(planned)}, used {used:g}{words.split('{:g}')[1]}"


def parse_plan(text: str, where: str = "plan") -> Plan:
    r"""Return the plan that `text` holds.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        What to call the text in messages, a file's name for example.

    Raises
    ------
    PlanError
        If it is not TOML, or any key is unknown, of the wrong kind, out of range, or missing
        where another key needs it.

    Examples
    --------
    >>> plan = parse_plan('operated_side = "left"\n[cup]\ninclination_deg = 42')
    >>> plan.cup.inclination_deg, plan.cup.anteversion_deg
    (42.0, None)
    """
    record = load_toml(text, where, "a plan", PlanError)
    try:
        _check_keys(record, Plan)
        return adapter(Plan).validate_python(record)
    except ValidationError as error:
        raise PlanError(f"{where}: {describe_faults(error)}") from None
    except PlanError as error:
        raise PlanError(f"{where}: {error}") from None


def _check_keys(table: dict[str, Any], kind: type, above: str = "") -> None:
    known = {field.name: field.type for field in dataclasses.fields(kind)}
    for key, value in table.items():
        if key not in known:
            raise PlanError(
                f"{above}{key}: unknown key; {above.rstrip('.') or 'a plan'} takes "
                f"{', '.join(known)}"
            )
        section = _SECTIONS.get(key) if kind is Plan else None
        if section and not isinstance(value, dict):
            raise PlanError(f"{above}{key}: is a section; write [{key}] and its keys below")
        if section:
            _check_keys(value, section, f"{key}.")


_SECTIONS: dict[str, type] = {
    "cup": CupPlan,
    "femur": FemurPlan,
    "leg_length": LegLengthPlan,
    "tolerance": Tolerance,
    "recorded": Recorded,
}


def format_plan(plan: Plan) -> str:
    """Return the plan as the text of a file; `parse_plan` gives the same plan back."""
    lines = [f'operated_side = "{plan.operated_side}"']
    if plan.posture:
        lines.append(f'posture = "{plan.posture}"')
    for name, kind in _SECTIONS.items():
        section = getattr(plan, name)
        if section == kind():
            continue
        lines.append(f"\n[{name}]")
        for key, value in dataclasses.asdict(section).items():
            if value is not None:
                lines.append(f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value}")
    return "\n".join(lines) + "\n"


def read_plan(path: str | os.PathLike[str]) -> Plan:
    """Return the plan in a file.

    Parameters
    ----------
    path : path-like
        TOML; see `parse_plan`.

    Raises
    ------
    PlanError
        If the file cannot be read, or for the reasons of `parse_plan`.

    See Also
    --------
    format_plan : The text of such a file, the inverse.
    compare : Holds measurements against the plan.

    Examples
    --------
    >>> from xraymeasure.samples import sample_folder
    >>> plan = read_plan(sample_folder() / "well_placed.plan.toml")
    >>> plan.operated_side, plan.tolerance.inclination_deg
    ('left', 5.0)
    """
    return parse_plan(read_text(path, PlanError), str(Path(path)))
