"""The bound against the whole information matrix, and the estimator against the bound."""

import numpy as np
import pytest

from tests.camera import axis_of, circle_in_space, land, spread_turns
from tests.cramer_rao import cramer_rao_deg
from xraymeasure.geometry.ellipses import fit_ellipse, refit_ellipse
from xraymeasure.geometry.projection import circle_poses
from xraymeasure.measuring.cup import ellipse_angles, pose_angles

SID, HIP, RADIUS = 1150.0, (88.0, -30.0, 150.0), 26.0
SPREAD = 0.3 * SID / (SID - HIP[2])
ROUND = spread_turns(12)
ONE_ARC = np.linspace(-90.0, 90.0, 12)


def rim(ri, ra, turns, sid, side="left"):
    """Return rim points on the detector, (n, 2); without a tube under parallel rays."""
    x, y, z = HIP
    centre = (x if side == "left" else -x, y, z)
    points = circle_in_space(centre, RADIUS, axis_of(ri, ra, side), turns)
    return points[:, :2] * SID / (SID - z) if sid is None else land(points, sid)


def angles(ellipse, sid, side="left"):
    sign = 1 if side == "left" else -1
    if sid is None:
        return np.stack(ellipse_angles(ellipse, 0.0, sign, 1))
    return np.stack(pose_angles(circle_poses(ellipse, sid, sign), 0, 0.0, side))


def outline_point(parameters, turn):
    x, y, a, b, angle = parameters
    u, v = a * np.cos(turn), b * np.sin(turn)
    return np.array(
        [x + np.cos(angle) * u - np.sin(angle) * v, y + np.sin(angle) * u + np.cos(angle) * v]
    )


def whole_bound(ellipse, turns, spread, sid, side):
    """The textbook bound: five parameters and every point's place, 2 n coordinates, inverted."""
    unknowns = np.concatenate([ellipse, turns])

    def coordinates(unknowns):
        return outline_point(unknowns[:5], unknowns[5:]).ravel()

    def slopes(function, at):
        columns = []
        for k in range(len(at)):
            step = np.zeros(len(at))
            step[k] = 1e-5 * max(1.0, abs(at[k]))
            columns.append((function(at + step) - function(at - step)) / (2.0 * step[k]))
        return np.column_stack(columns)

    jacobian = slopes(coordinates, unknowns)
    covariance = spread**2 * np.linalg.inv(jacobian.T @ jacobian)[:5, :5]
    gradient = slopes(lambda parameters: angles(parameters, sid, side), ellipse)
    return np.sqrt(np.diag(gradient @ covariance @ gradient.T))


@pytest.mark.parametrize("sid", [None, SID], ids=["ellipse", "perspective"])
@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("ri", "ra"), [(40, 10), (45, 20), (50, 35)])
def test_eliminating_the_places_gives_the_bound_of_the_whole_information_matrix(ri, ra, side, sid):
    ellipse = fit_ellipse(rim(ri, ra, spread_turns(30), sid, side)).parameters
    turns = np.radians(np.array([3.0, 40, 85, 130, 171, 200, 260, 333]))
    points = outline_point(ellipse, turns).T
    bound = cramer_rao_deg(ellipse, points, SPREAD, side=side, source_detector_mm=sid)
    assert bound == pytest.approx(whole_bound(ellipse, turns, SPREAD, sid, side), rel=1e-4)


@pytest.mark.parametrize("sid", [None, SID], ids=["ellipse", "perspective"])
@pytest.mark.parametrize("ra", [10, 20, 35])
def test_no_more_than_a_tenth_is_lost_against_the_bound(ra, sid):
    """Chernov N, Lesort C 2004 (from memory): geometric fits reach it to leading order."""
    points = rim(40, ra, ROUND, sid)
    ellipse = fit_ellipse(points).parameters
    bound = cramer_rao_deg(ellipse, points, SPREAD, source_detector_mm=sid)
    noise = SPREAD * np.random.default_rng(ra).standard_normal((*points.shape, 5_000))
    placed = points[:, :, None] + noise
    read = angles(refit_ellipse(placed, ellipse), sid)
    ratio = read.std(axis=1) / bound
    # A standard deviation of 5,000 readings is known to one percent.
    assert np.all(ratio <= 1.10)
    assert np.all(ratio >= 0.97)
    assert read.mean(axis=1) == pytest.approx((40, ra), abs=0.1)
    afresh = [angles(fit_ellipse(placed[:, :, i]).parameters, sid) for i in range(20)]
    # Many copies are refitted quickly, to a fraction of the spread; it is the same estimator.
    apart = np.transpose(afresh) - read[:, :20]
    assert np.all(np.sqrt((apart**2).mean(axis=1)) < 0.05 * np.array(bound))


def test_the_bound_grows_as_the_spread_and_falls_with_the_root_of_the_points():
    points = rim(40, 15, ROUND, SID)
    ellipse = fit_ellipse(points).parameters
    once, wide, four_times = (
        cramer_rao_deg(ellipse, placed, spread, source_detector_mm=SID)
        for placed, spread in (
            (points, SPREAD),
            (points, 2.0 * SPREAD),
            (np.tile(points, (4, 1)), SPREAD),
        )
    )
    assert wide == pytest.approx(2.0 * np.array(once))
    assert four_times == pytest.approx(np.array(once) / 2.0)


def test_one_arc_alone_costs_most_of_what_is_known_of_anteversion():
    ellipse = fit_ellipse(rim(40, 15, ROUND, SID)).parameters
    both, one = (
        cramer_rao_deg(ellipse, rim(40, 15, turns, SID), SPREAD, source_detector_mm=SID)
        for turns in (ROUND, ONE_ARC)
    )
    assert one[1] > 3.0 * both[1]


def test_points_that_leave_the_ellipse_open_have_no_bound():
    ellipse = fit_ellipse(rim(40, 15, ROUND, SID)).parameters
    with pytest.raises(np.linalg.LinAlgError):
        cramer_rao_deg(ellipse, np.repeat(rim(40, 15, ROUND, SID)[:1], 6, axis=0), SPREAD)
