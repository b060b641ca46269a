"""Proposals in words, for the terminal and for sheets."""

from __future__ import annotations

from xraymeasure.detect.propose import HipProposal, Proposals
from xraymeasure.measuring.uncertainty import COVERAGE
from xraymeasure.vocabulary.landmarks import LANDMARKS

TESTED = (
    "Proposals are to be confirmed by a person. The method was tested on rendered films only, "
    "never on films of patients."
)

_ASSUMED = {
    "pitch": "the pixel spacing at the detector",
    "source_detector": "the distance from tube to detector",
    "beam_centre": "where the central ray meets the detector",
}


def proposal_text(proposals: Proposals) -> str:
    """Return what was found, a paragraph a hip, with what was assumed and what is doubtful."""
    lines = []
    for hip in proposals.hips:
        lines.append(f"{hip.side.capitalize()} hip ({proposals.method})")
        lines += [f"  {line}" for line in _numbers(hip)]
        titles = [
            LANDMARKS[name].kind.title.lower()
            + (" of the other femur" if LANDMARKS[name].side != hip.side else "")
            for name in hip.landmarks
        ]
        lines.append(f"  proposed: {', '.join(titles)}")
        lines += [f"  ! {doubt}" for doubt in hip.doubts]
    if proposals.assumed:
        stated = ", ".join(_ASSUMED[key] for key in proposals.assumed)
        lines.append(f"Not given, and taken as on the film or usual: {stated}.")
    lines.append(TESTED)
    return "\n".join(lines)


def nothing_text(proposals: Proposals) -> str:
    """Return why there is nothing to propose, in one line."""
    if not proposals.of_another_size:
        return "no replaced hip was found to propose; place the landmarks by hand"
    heads = "; ".join(
        f"the {hip.side} head is {hip.head_diameter_on_film_mm:.1f} mm on the detector, "
        + _fitting(hip)
        for hip in proposals.of_another_size
    )
    return f"no head of the diameter given was found, but another: {heads}; check the diameter"


def _fitting(hip: HipProposal) -> str:
    heads = ", ".join(f"{size:g}" for size in hip.plausible_heads_mm)
    return f"nominal heads that fit: {heads} mm" if heads else "no nominal head fits"


def _numbers(hip: HipProposal) -> list[str]:
    inclination, anteversion = (COVERAGE * sd for sd in hip.angle_sd_deg)
    other = f"{hip.other_pose_deg[0]:.1f} / {hip.other_pose_deg[1]:.1f} deg"
    lines = [
        f"inclination {hip.inclination_deg:.1f} deg ± {inclination:.1f}, anteversion "
        f"{hip.anteversion_deg:.1f} deg ± {anteversion:.1f} (95 %, tube and beam as taken; "
        f"the other cup with this picture: {other})",
        f"shell {hip.cup_diameter_mm:.1f} mm ± {COVERAGE * hip.cup_diameter_sd_mm:.1f}, head "
        f"{hip.head_diameter_on_film_mm:.1f} mm on the detector",
    ]
    fitting = _fitting(hip)
    if hip.magnification is not None:
        fitting = f"magnification {hip.magnification:.3f} with the head given; {fitting}"
    return [*lines, fitting]
