"""What a point source does to a rim and a sphere, and that it is undone.

The figures were derived once from the geometry alone (SID 1150); the outlines here are cast point
by point (tests/camera.py) and share nothing with the measuring code. Independent descriptions of
the effect: Derbyshire B, Med Eng Phys 2008;30:1119-1126; Zhao JX et al., Med Eng Phys
2016;38:1376-1381 (abstracts read).
"""

import numpy as np
import pytest

from tests.camera import axis_of, circle_in_space, land, spread_turns, touched_circle
from xraymeasure.geometry.curves import fit_circle
from xraymeasure.geometry.ellipses import fit_ellipse
from xraymeasure.geometry.projection import (
    circle_poses,
    fit_sphere_outline,
    sphere_centre_mm,
)
from xraymeasure.measuring.cup import ellipse_angles, pose_angles

SID = 1150.0


def read(ri, ra, centre, side="left", radius=26.0):
    """Return both angles by the ellipse method and both poses' angles of a cast rim."""
    rim = circle_in_space(centre, radius, axis_of(ri, ra, side), spread_turns(12))
    ellipse = fit_ellipse(land(rim, SID)).parameters
    sign = 1 if side == "left" else -1
    poses = circle_poses(ellipse, SID, sign)
    return (
        np.array(ellipse_angles(ellipse, 0.0, sign, 1)),
        [np.array(pose_angles(poses, which, 0.0, side)) for which in (0, 1)],
        poses,
    )


# Lateral distance of the hip from the beam's foot; (dRI, dRA) at 0, 30, 60, 90, 120 mm cranial.
BIAS = [
    (0, [(0.0, 0.0), (0.4, 1.2), (0.8, 2.5), (1.3, 3.7), (1.8, 4.9)]),
    (60, [(0.5, -2.5), (0.9, -1.3), (1.3, -0.1), (1.8, 1.1), (2.3, 2.2)]),
    (95, [(0.8, -3.9), (1.1, -2.8), (1.5, -1.6), (2.0, -0.5), (2.5, 0.7)]),
    (120, [(0.9, -5.0), (1.2, -3.8), (1.6, -2.7), (2.1, -1.5), (2.6, -0.4)]),
]
ROUNDED = 0.05 + 1e-3


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(
    ("lateral", "cranial", "bias"),
    [
        (lateral, cranial, bias)
        for lateral, row in BIAS
        for cranial, bias in zip((0, 30, 60, 90, 120), row, strict=True)
    ],
)
def test_the_ellipse_methods_bias_is_the_tabulated_one_and_the_perspective_has_none(
    lateral, cranial, bias, side
):
    """A 45/15 cup of radius 26 mm, 170 mm above the detector."""
    x = lateral if side == "left" else -lateral
    by_ellipse, by_pose, _ = read(45, 15, (x, -cranial, 170.0), side)
    assert by_ellipse - (45, 15) == pytest.approx(bias, abs=ROUNDED)
    assert by_pose[0] == pytest.approx((45, 15), abs=1e-3)


# 150 mm above the detector, beam's foot 90 mm medial and 35 mm caudal of the hip.
PELVIS_CENTRED = [
    ((40, 15), (41.21, 13.12), (42.42, -11.24)),
    ((40, 20), (41.69, 18.08), None),
    ((50, 5), (50.20, 2.33), None),
    ((35, 30), (37.87, 28.43), None),
]


@pytest.mark.parametrize(("true", "by_ellipse", "second"), PELVIS_CENTRED)
def test_a_pelvis_centred_film_misreads_a_cup_and_the_pose_puts_it_right(true, by_ellipse, second):
    ellipse, poses, _ = read(*true, (90.0, -35.0, 150.0))
    assert ellipse == pytest.approx(by_ellipse, abs=0.01)
    assert poses[0] == pytest.approx(true, abs=1e-3)
    if second is not None:
        assert poses[1] == pytest.approx(second, abs=0.005)


def test_the_rims_centre_follows_from_its_radius():
    _, _, poses = read(40, 15, (90.0, -35.0, 150.0))
    assert poses.centre_mm(26.0, SID)[0] == pytest.approx((90.0, -35.0, 150.0), abs=1e-3)


def test_to_first_order_anteversion_turns_with_the_viewing_direction():
    """RA_true = RA_read + theta_x sin RI - theta_y cos RI, theta the ray's slope to the axis."""
    for x, y in ((30.0, 0.0), (0.0, -30.0), (40.0, 25.0), (-20.0, 20.0)):
        by_ellipse, _, _ = read(40, 15, (x, y, 150.0))
        theta_x, theta_y = np.degrees(np.arctan2((x, -y), SID - 150.0))
        ri = np.radians(40.0)
        predicted = by_ellipse[1] + theta_x * np.sin(ri) - theta_y * np.cos(ri)
        assert predicted == pytest.approx(15.0, abs=0.1)


def test_the_sign_is_decided_in_the_tubes_frame_and_not_after_correcting():
    """True anteversion 5, hip 95 mm lateral and 60 mm caudal of the beam: it looks like -1.4.

    Read as +1.4 it would be 'corrected' to 7.8.
    """
    by_ellipse, poses, both = read(45, 5, (95.0, 60.0, 170.0))
    assert by_ellipse[1] == pytest.approx(1.4, abs=0.05)
    to_tube = np.array([0.0, 0.0, SID]) - np.array([95.0, 60.0, 170.0])
    assert axis_of(45, 5, "left") @ to_tube < 0  # the true opening looks away from the tube
    assert both.facing[1] < 0 < both.facing[0]
    assert poses[0][1] == pytest.approx(7.8, abs=0.05)
    assert poses[1] == pytest.approx((45, 5), abs=1e-3)


# --- the sphere -----------------------------------------------------------------------------------


def sphere_outline(centre, radius, count=720):
    return land(touched_circle(centre, radius, SID, np.arange(count) * 360.0 / count), SID)


def test_an_off_axis_sphere_is_longer_along_the_ray_and_its_height_is_found_all_the_same():
    """95 mm off axis, radial 1.1791 and tangential 1.1736 of the true diameter."""
    height = SID * (1.0 - 1.0 / 1.1735)
    outline = sphere_outline((95.0, 0.0, height), 16.0)
    _, _, radial, tangential, angle = fit_ellipse(outline).parameters
    assert (radial / 16.0, tangential / 16.0) == pytest.approx((1.1791, 1.1736), abs=1e-4)
    assert abs(angle) < 1e-6
    cone = fit_sphere_outline(outline, fit_circle(outline).parameters, SID)
    assert sphere_centre_mm(cone.parameters, 32.0, SID)[2] == pytest.approx(height, abs=1e-3)
