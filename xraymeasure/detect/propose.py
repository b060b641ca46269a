"""propose(film) -> Proposals: the replaced hips of a film, each as landmarks to be confirmed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.detect import picture, spread
from xraymeasure.detect.accept import angle_sd_deg, doubts_of, heads_apart, may_be_axis
from xraymeasure.detect.candidates import HEAD_RADII_MM, Candidate, circle_votes, find_candidates
from xraymeasure.detect.femur import SHAFT, STEM, find_axis, find_other_shaft
from xraymeasure.detect.field import Plate, plate, working_pitch_mm
from xraymeasure.detect.head import Head, find_head
from xraymeasure.detect.outlines import head_outline_mm, head_spread_mm, rim_outline_mm
from xraymeasure.detect.pose import find_cup
from xraymeasure.detect.silhouette import hidden_head
from xraymeasure.measuring.inputs import PLAUSIBLE_MAGNIFICATION
from xraymeasure.reading.moment import now
from xraymeasure.reading.reading import FilmBinding, Opens, Point, Provenance, Reading
from xraymeasure.vocabulary.landmarks import SIDES, Side, landmark_name, other_side

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

METHOD = "synthesis-9"
"""Name and version of the method, kept with what it proposed."""

NOMINAL_HEADS_MM = (22.225, 26.0, 28.0, 30.0, 32.0, 36.0, 40.0, 44.0)
"""Diameters that heads are made in (from memory)."""
_PLAUSIBLE_MAGNIFICATIONS = (1.05, 1.4)
_LARGEST_RADIUS_MM = 0.5 * 1.25 * NOMINAL_HEADS_MM[-1]
"""On the detector: of the largest head, magnified by 1.25. Where all is white, the outline of a
shell is that of a larger one."""
_TRIES_A_SIDE = 3


@dataclass(frozen=True)
class HipProposal:
    """One replaced hip that was found.

    Attributes
    ----------
    side : {"left", "right"}
    landmarks : mapping of str to tuple of (row, column)
        As a reading stores them; where this hip alone was found, with the shaft of the other femur.
    placing_sd_px : mapping of str to float
        The spread of their points that stands for how sure the proposal is.
    inclination_deg, anteversion_deg : float
        Radiographic, of the pose that was asked for, against the film's own long axis.
    angle_sd_deg : (float, float)
        Standard uncertainty of the two, beam and tube taken as known.
    other_pose_deg : (inclination, anteversion)
        The pose that gives the same picture with the opening turned away.
    cup_diameter_mm, cup_diameter_sd_mm : float
        Of the shell, on the scale of the head.
    head_diameter_on_film_mm : float
        On the detector.
    magnification : float or None
        Where the head's diameter is known.
    plausible_heads_mm : tuple of float
        Nominal heads whose magnification would be between 1.05 and 1.4.
    misfit : float
        What the synthetic picture leaves, over the contrast of the metal.
    doubts : tuple of str
        Why the proposal is doubtful; empty when it is not.
    """

    side: Side
    landmarks: Mapping[str, tuple[Point, ...]]
    placing_sd_px: Mapping[str, float]
    inclination_deg: float
    anteversion_deg: float
    angle_sd_deg: tuple[float, float]
    other_pose_deg: tuple[float, float]
    cup_diameter_mm: float
    cup_diameter_sd_mm: float
    head_diameter_on_film_mm: float
    magnification: float | None
    plausible_heads_mm: tuple[float, ...]
    misfit: float
    doubts: tuple[str, ...]


@dataclass(frozen=True)
class Proposals:
    """What was found on a film; `hips` is empty where there is nothing to propose.

    Then `of_another_size` holds the hips whose heads are not of the size that was given.
    """

    method: str
    hips: tuple[HipProposal, ...]
    assumed: tuple[str, ...]
    of_another_size: tuple[HipProposal, ...] = ()


def propose(
    film: Film,
    *,
    head_diameter_mm: float | Mapping[Side, float] | None = None,
    side: Side | None = None,
    beam_centre: tuple[float, float] | None = None,
    source_detector_mm: float | None = None,
    opens: Opens | None = None,
) -> Proposals:
    """Find the replaced hips of a film.

    Parameters
    ----------
    film : Film
    head_diameter_mm : float or mapping of side to float, optional
        Known diameter of the prosthetic head. Without it the magnification is taken as 1.18.
    side : {"left", "right"}, optional
        Look at this hip only.
    beam_centre : (row, column), optional
        Where the central ray meets the detector, if better known than by the film.
    source_detector_mm : float, optional
        Likewise the distance from tube to detector.
    opens : {"anterior", "posterior"}, optional
        Which of the two poses with one picture is meant: the opening toward the tube, or away.
        The film does not tell; where nobody says, the first is shown.

    Returns
    -------
    Proposals

    See Also
    --------
    proposed_reading : The proposals as a reading that can be measured.
    """
    upright = plate(film, beam_centre, source_detector_mm)
    whole = upright.field(1.0)
    votes = circle_votes(whole)

    def first_on(wanted: Side, known: float | None) -> HipProposal | None:
        low, high = _PLAUSIBLE_MAGNIFICATIONS
        radii = (0.5 * low * known, 0.5 * high * known) if known else HEAD_RADII_MM
        candidates = find_candidates(whole, votes, wanted, radii)
        tried = (
            _hip(film, upright, candidate, known, beam_centre, opens)
            for candidate in candidates[:_TRIES_A_SIDE]
        )
        return next(filter(None, tried), None)

    given = {
        wanted: head_diameter_mm.get(wanted)
        if isinstance(head_diameter_mm, Mapping)
        else head_diameter_mm
        for wanted in (SIDES if side is None else (side,))
    }
    hips = [hip for wanted, known in given.items() if (hip := first_on(wanted, known))]
    others: tuple[HipProposal, ...] = ()
    if not hips and any(given.values()):
        others = tuple(hip for wanted in given if (hip := first_on(wanted, None)))
    apart = heads_apart([hip.magnification for hip in hips if hip.magnification])
    hips = [replace(hip, doubts=(*hip.doubts, *apart)) for hip in hips]
    if len(hips) == 1:
        hips = [_with_other_shaft(film, upright, hips[0], beam_centre)]
    return Proposals(METHOD, tuple(hips), upright.assumed, others)


def _hip(
    film: Film,
    upright: Plate,
    candidate: Candidate,
    head_mm: float | None,
    beam_centre: tuple[float, float] | None,
    opens: Opens | None,
) -> HipProposal | None:
    head = _edged_head(upright, candidate, head_mm) or hidden_head(upright, candidate)
    if head is None or not _nominal(head, head_mm):
        return None
    height = upright.source_detector_mm
    # Angles do not depend on the scale: without a known head a usual magnification serves.
    radius = 0.5 * head_mm if head_mm else head.radius_mm / PLAUSIBLE_MAGNIFICATION[0]
    distance = radius * float(np.sqrt(1.0 + (height / head.radius_mm) ** 2))
    fitted = find_cup(upright, candidate, head, radius, distance, opens)
    if fitted is None:
        return None
    scene, fit = fitted
    p = fit.parameters
    covariance = spread.spread_over_variants(scene, fit)
    lip = spread.turned_by_a_lip(scene, fit)
    angle_sd = angle_sd_deg(fit, covariance, lip, scene.all_white, head)
    if angle_sd is None:
        return None
    other = picture.mirrored(scene, p)
    landmarks, spreads = {}, {}

    def put(stem: str, points: np.ndarray, spread_mm: float) -> None:
        name = landmark_name(stem, candidate.side)
        landmarks[name], spreads[name] = _stored(film, points, spread_mm, beam_centre)

    put("femoral_head", head_outline_mm(head, height), head_spread_mm(head))
    put("cup_rim", *rim_outline_mm(scene, p, angle_sd))
    axes = {}
    for stem, kind in (("femoral_shaft", SHAFT), ("stem_axis", STEM)):
        axis = find_axis(upright, head.x_mm, head.y_mm, candidate.side, kind)
        if axis is not None and may_be_axis(axis):
            axes[stem] = axis
            put(stem, np.array(axis.points_mm), kind.placing_sd_mm)
    radius_sd = covariance[picture.RADIUS, picture.RADIUS] ** 0.5
    return HipProposal(
        side=candidate.side,
        landmarks=landmarks,
        placing_sd_px=spreads,
        inclination_deg=float(p[picture.INCLINATION]),
        anteversion_deg=float(p[picture.ANTEVERSION]),
        angle_sd_deg=angle_sd,
        other_pose_deg=(float(other[picture.INCLINATION]), float(other[picture.ANTEVERSION])),
        cup_diameter_mm=float(2.0 * p[picture.RADIUS]),
        cup_diameter_sd_mm=float(2.0 * np.hypot(radius_sd, 0.15)),
        head_diameter_on_film_mm=2.0 * head.radius_mm,
        magnification=float(scene.magnification) if head_mm else None,
        plausible_heads_mm=_nominal(head),
        misfit=fit.misfit,
        doubts=doubts_of(head, scene, fit, angle_sd, lip, axes),
    )


def _stored(
    film: Film, points_mm: np.ndarray, spread_mm: float, beam_centre: tuple[float, float] | None
) -> tuple[tuple[Point, ...], float]:
    """Return points on the detector, and their spread, as a reading stores them."""
    pitch = working_pitch_mm(film)
    pixels = film.to_pixels(points_mm, beam_centre, pitch)
    placed = tuple((round(float(row), 3), round(float(column), 3)) for row, column in pixels)
    return placed, round(max(spread_mm / (pitch[0] * pitch[1]) ** 0.5, 1e-3), 4)


def _with_other_shaft(
    film: Film, upright: Plate, hip: HipProposal, beam_centre: tuple[float, float] | None
) -> HipProposal:
    """Return a proposal with the shaft of the other femur, where that is seen."""
    head = np.array(hip.landmarks[landmark_name("femoral_head", hip.side)])
    x, y = film.to_patient_mm(head, beam_centre, working_pitch_mm(film)).mean(axis=0)
    magnification = hip.magnification or PLAUSIBLE_MAGNIFICATION[0]
    axis = find_other_shaft(upright, float(x), float(y), hip.side, magnification)
    if axis is None or not may_be_axis(axis):
        return hip
    name = landmark_name("femoral_shaft", other_side(hip.side))
    points, sd = _stored(film, np.array(axis.points_mm), SHAFT.placing_sd_mm, beam_centre)
    return replace(
        hip,
        landmarks={**hip.landmarks, name: points},
        placing_sd_px={**hip.placing_sd_px, name: sd},
    )


def _edged_head(upright: Plate, candidate: Candidate, head_mm: float | None) -> Head | None:
    """Return the head by its edge; one of unknown size is not as large as a shell."""
    head = find_head(upright, candidate)
    return head if head is None or head_mm or head.radius_mm < _LARGEST_RADIUS_MM else None


def _nominal(head: Head, head_mm: float | None = None) -> tuple[float, ...]:
    """Return the diameters, or the known one, with which a head's magnification is plausible."""
    low, high = _PLAUSIBLE_MAGNIFICATIONS
    diameters = NOMINAL_HEADS_MM if head_mm is None else (head_mm,)
    return tuple(each for each in diameters if low <= 2.0 * head.radius_mm / each <= high)


def proposed_reading(
    film: Film,
    proposals: Proposals,
    *,
    reader: str = "proposed",
    head_diameter_mm: float | Mapping[Side, float] | None = None,
    beam_centre: tuple[float, float] | None = None,
    source_detector_mm: float | None = None,
    opens: Opens | None = None,
    read_at: str | None = None,
) -> Reading:
    """Return proposals as a reading; the first hip is the index hip.

    Parameters
    ----------
    film : Film
        The film that the proposals are of.
    proposals : Proposals
        With one hip at least.
    reader : str
        The name to file it under.
    head_diameter_mm, beam_centre, source_detector_mm, opens
        As given to `propose`.
    read_at : str, optional
        ISO 8601; now by default.

    Raises
    ------
    ValueError
        If there is no hip among the proposals.
    """
    if not proposals.hips:
        raise ValueError("nothing was proposed; there is no reading to make")
    found: tuple[Side, ...] = tuple(hip.side for hip in proposals.hips)
    heads: dict[Side, float] = {}
    for side in found:
        known = (
            head_diameter_mm.get(side)
            if isinstance(head_diameter_mm, Mapping)
            else head_diameter_mm
        )
        if known:
            heads[side] = float(known)
    doubts = [f"{hip.side} hip: {doubt}" for hip in proposals.hips for doubt in hip.doubts]
    landmarks = {name: points for hip in proposals.hips for name, points in hip.landmarks.items()}
    return Reading(
        reader=reader,
        read_at=read_at or now(),
        operated_side=found[0],
        film=FilmBinding(film.sop_instance_uid, film.pixel_sha256),
        head_diameter_mm=heads,
        cup_opens=dict.fromkeys(found, opens) if opens is not None else {},
        beam_centre=beam_centre,
        source_detector_mm=source_detector_mm,
        placing_sd_px={
            name: value for hip in proposals.hips for name, value in hip.placing_sd_px.items()
        },
        landmarks=landmarks,
        proposed=Provenance(proposals.method, dict.fromkeys(landmarks, "proposed")),
        comment=" ".join(doubts) or None,
    )
