"""The sample films: invented patients, each with a story that its plan and its film tell."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from xraymeasure.phantom.scene import (
    Cup,
    Geometry,
    Head,
    Hip,
    MarkerSphere,
    Pelvis,
    Scenario,
    Stem,
)


@dataclass(frozen=True)
class Sample:
    """A sample film and the plan that goes with it, the plan as tables of a TOML file."""

    scenario: Scenario
    plan: dict[str, dict[str, object]]


Table = dict[str, Any]
Plan = dict[str, Table]

_TOLERANCE: Table = {"inclination_deg": 5, "anteversion_deg": 5, "leg_length_mm": 5, "offset_mm": 5}


def _plan(cup: Table, femur: Table, leg_length: Table, recorded: Table | None = None) -> Plan:
    tables: Plan = {"cup": cup, "femur": femur, "leg_length": leg_length, "tolerance": _TOLERANCE}
    if recorded:
        tables["recorded"] = recorded
    return tables


def _cup(inclination: float, anteversion: float, diameter: float) -> Table:
    return {
        "inclination_deg": inclination,
        "anteversion_deg": anteversion,
        "definition": "radiographic",
        "plane": "coronal",
        "outer_diameter_mm": diameter,
    }


def _femur(head: float, angle: float, offset: float) -> Table:
    return {"head_diameter_mm": head, "neck_shaft_angle_deg": angle, "offset_mm": offset}


def samples(seed: int) -> tuple[Sample, ...]:
    """Return the sample films; `seed` draws their tissue and noise, not their truth."""
    native = Hip(abduction_deg=-4.0, rotation_deg=9.0)

    def replaced(cup: Cup, head: Head, stem: Stem, **position: float) -> Hip:
        return Hip(cup, head, stem, **{"abduction_deg": -4.0, "rotation_deg": 8.0, **position})

    well = Scenario(
        name="well_placed",
        hips={
            "left": replaced(
                Cup(41.0, 17.0, 54.0), Head(36.0), Stem(132.0, 44.0), leg_length_change_mm=1.0
            ),
            "right": native,
        },
        operated_side="left",
        seed=seed * 100 + 1,
        compression="jpeg2000",
        story="Cup, leg length and offset as planned.",
    )
    later = replace(
        well,
        name="well_placed_2y",
        pelvis=replace(well.pelvis, centre_mm=(4.0, 13.0, 152.0), obliquity_deg=0.6),
        hips={
            "left": replaced(
                Cup(41.0, 17.0, 54.0),
                Head(36.0, penetration_mm=0.4),
                Stem(132.0, 44.0, subsidence_mm=3.0),
                leg_length_change_mm=1.0,
                abduction_deg=-3.5,
                rotation_deg=9.0,
            ),
            "right": native,
        },
        story="The hip of well_placed two years on: the stem sank 3 mm, the head 0.4 mm into "
        "the liner, the cup stayed.",
    )
    off_plan = Scenario(
        name="off_plan_cup",
        geometry=Geometry(source_detector_mm=1100.0),
        pelvis=Pelvis(centre_mm=(-3.0, 14.0, 145.0), obliquity_deg=-1.0, scale=0.97),
        hips={
            "left": native,
            "right": replaced(
                Cup(52.0, 6.0, 52.0, shift_mm=(-1.0, 3.0, 0.0), screw=True),
                Head(32.0),
                Stem(130.0, 42.0, length_mm=105.0),
                leg_length_change_mm=2.0,
            ),
        },
        operated_side="right",
        seed=seed * 100 + 2,
        compression="jpegls",
        story="Planned 40/20, came to lie steep and with little anteversion.",
    )
    long_leg = Scenario(
        name="long_leg",
        pelvis=Pelvis(centre_mm=(2.0, 8.0, 160.0), rotation_deg=1.0),
        hips={
            "left": replaced(
                Cup(43.0, 20.0, 56.0),
                Head(36.0, material="metal"),
                Stem(127.0, 50.0, length_mm=108.0),
                leg_length_change_mm=12.0,
            ),
            "right": native,
        },
        operated_side="left",
        seed=seed * 100 + 3,
        compression="jpeg",
        body_scale=1.06,
        story="The leg was to be made even and came out 12 mm long, with more offset.",
    )
    before = replace(
        long_leg,
        name="before",
        hips={"left": replace(native, leg_length_change_mm=-3.5), "right": native},
        pelvis=replace(long_leg.pelvis, centre_mm=(-2.0, 11.0, 160.0), rotation_deg=0.0),
        marker=MarkerSphere(25.0, (-6.0, 118.0, 158.0)),
        compression="jpegls",
        story="The patient of long_leg before the operation: the joint worn, the leg 3.5 mm short.",
    )
    bilateral = Scenario(
        name="bilateral",
        geometry=Geometry(source_detector_mm=1200.0),
        pelvis=Pelvis(centre_mm=(0.0, 12.0, 155.0)),
        hips={
            "left": replaced(
                Cup(45.0, 14.0, 52.0), Head(28.0, material="metal"), Stem(135.0, 41.0),
                leg_length_change_mm=3.0,
            ),
            "right": replaced(
                Cup(38.0, 22.0, 54.0), Head(32.0), Stem(132.0, 44.0), leg_length_change_mm=4.0,
                abduction_deg=-3.0,
            ),
        },
        operated_side="right",
        seed=seed * 100 + 4,
        compression="jpeg2000",
        story="Both hips replaced; the right one is under review.",
    )  # fmt: skip
    monochrome1 = Scenario(
        name="monochrome1",
        pelvis=Pelvis(centre_mm=(3.0, 6.0, 140.0), scale=0.95, tilt_deg=4.0),
        hips={
            "left": native,
            "right": replaced(
                Cup(40.0, 19.0, 50.0), Head(32.0), Stem(132.0, 39.0, length_mm=105.0, varus_deg=1.5)
            ),
        },
        operated_side="right",
        seed=seed * 100 + 5,
        photometric="MONOCHROME1",
        compression="jpegls",
        body_scale=0.95,
        story="Stored black for white, as MONOCHROME1 says.",
    )
    geometry = Geometry()
    reach = 86.0 * geometry.source_detector_mm / (geometry.source_detector_mm - 150.0)
    row, column = geometry.foot
    hip_centred = Scenario(
        name="hip_centred",
        geometry=replace(
            geometry, beam_centre=(row + 6.0, round(column + reach / geometry.pitch_mm, 1))
        ),
        pelvis=Pelvis(centre_mm=(-86.0, 8.0, 150.0)),
        hips={
            "left": replaced(
                Cup(44.0, 15.0, 54.0), Head(36.0), Stem(132.0, 45.0, length_mm=108.0),
                leg_length_change_mm=-1.0,
            ),
            "right": native,
        },
        operated_side="left",
        seed=seed * 100 + 6,
        compression="jpeg2000",
        story="The beam was centred on the left hip, not on the pelvis; the reading says where.",
    )  # fmt: skip
    return (
        Sample(
            well,
            _plan(
                _cup(40, 18, 54), _femur(36, 132, 44), {"difference_mm": 0},
                {"inclination_deg": 40, "anteversion_deg": 19, "definition": "radiographic",
                 "plane": "coronal", "leg_length_change_mm": 1},
            ),
        ),
        Sample(later, _plan(_cup(40, 18, 54), _femur(36, 132, 44), {"difference_mm": 0})),
        Sample(off_plan, _plan(_cup(40, 20, 52), _femur(32, 130, 42), {"difference_mm": 0})),
        Sample(
            long_leg,
            _plan(
                _cup(42, 18, 56), {**_femur(36, 127, 45), "offset_change_mm": 2},
                {"difference_mm": 0, "change_mm": 3.5},
            ),
        ),
        Sample(
            before,
            {
                "cup": _cup(42, 18, 56),
                "femur": _femur(36, 127, 45),
                "leg_length": {"difference_mm": 0},
                "tolerance": _TOLERANCE,
            },
        ),
        Sample(bilateral, _plan(_cup(40, 20, 54), _femur(32, 132, 43), {"difference_mm": 0})),
        Sample(monochrome1, _plan(_cup(40, 20, 50), _femur(32, 132, 40), {"difference_mm": 0})),
        Sample(hip_centred, _plan(_cup(42, 18, 54), _femur(36, 132, 44), {"difference_mm": 0})),
    )  # fmt: skip
