import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.measure import CircleModel, EllipseModel

from tests.algebraic import circle_estimate, ellipse_estimate
from xraymeasure.errors import MeasureError
from xraymeasure.geometry.curves import arc_covered_deg, fit_circle, fit_line, refit_circle
from xraymeasure.geometry.ellipses import fit_ellipse, ordered_axes, refit_ellipse
from xraymeasure.geometry.least_squares import solve_positive


def circle_points(turns_deg, x=412.0, y=-95.0, radius=112.0):
    turn = np.radians(turns_deg)
    return np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)])


def ellipse_points(turns_deg, x=412.0, y=-95.0, a=180.0, b=47.0, angle_deg=30.0):
    turn, angle = np.radians(turns_deg), np.radians(angle_deg)
    u, v = a * np.cos(turn), b * np.sin(turn)
    return np.column_stack(
        [x + np.cos(angle) * u - np.sin(angle) * v, y + np.sin(angle) * u + np.cos(angle) * v]
    )


def apart_deg(one, other):
    """Return the angle between two undirected axes."""
    return abs((one - other + 90.0) % 180.0 - 90.0)


ALL_ROUND = np.arange(12) * 30.0 + 3.0

# --- circle ---------------------------------------------------------------------------------------


@given(
    st.floats(-3000, 3000),
    st.floats(-3000, 3000),
    st.floats(1, 500),
    st.floats(0, 360),
    st.floats(40, 150),
)
def test_three_points_give_the_circle_through_them(x, y, radius, start, apart):
    points = circle_points(start + apart * np.arange(3), x, y, radius)
    fit = fit_circle(points)
    assert fit.parameters == pytest.approx((x, y, radius), abs=1e-6 * radius + 1e-8)
    assert np.abs(fit.residuals).max() < 1e-6 * radius
    assert fit.spread is None


@pytest.mark.parametrize("arc", [20, 60, 90, 150, 270, 360])
def test_exact_points_on_any_arc_give_the_circle(arc):
    fit = fit_circle(circle_points(np.linspace(11, 11 + arc, 9)))
    assert fit.parameters == pytest.approx((412.0, -95.0, 112.0), abs=1e-5)


@pytest.mark.parametrize("arc", [90, 120, 200, 330])
def test_a_noisy_circle_is_at_least_as_close_to_its_points_as_the_reference_librarys(arc):
    """scikit-image's CircleModel is algebraic; its residuals are distances, positive inside."""
    noise = np.random.default_rng(arc).normal(0, 1.5, (20, 2))
    points = circle_points(np.linspace(0, arc, 20)) + noise
    reference = circle_estimate(points)
    ours = fit_circle(points)
    judge = CircleModel(ours.parameters[:2], ours.parameters[2])
    assert ours.residuals == pytest.approx(-judge.residuals(points), abs=1e-9)
    assert (ours.residuals**2).sum() <= (reference.residuals(points) ** 2).sum() + 1e-9


def test_on_a_full_circle_the_reference_librarys_estimate_agrees_with_ours():
    noise = np.random.default_rng(1).normal(0, 0.8, (60, 2))
    points = circle_points(np.arange(60) * 6.0) + noise
    reference = circle_estimate(points)
    assert fit_circle(points).parameters == pytest.approx(
        (*reference.center, reference.radius), abs=0.05
    )


@pytest.mark.parametrize("arc", [90, 180, 360])
def test_the_covariance_of_a_circle_is_what_repeated_placing_scatters(arc):
    exact = circle_points(np.linspace(0, arc - 360 / 16 * (arc == 360), 16))
    spread = 0.1
    noise = np.random.default_rng(3).normal(0, spread, (16, 2, 6000))
    fitted = refit_circle(exact[:, :, None] + noise, np.array([412.0, -95.0, 112.0]))
    claimed = spread * np.sqrt(np.diag(fit_circle(exact).unit_covariance))
    assert fitted.std(axis=1) == pytest.approx(claimed, rel=0.05)


def test_the_spread_about_a_circle_is_the_placing_spread():
    points = circle_points(np.linspace(0, 359, 400))
    points = points + np.random.default_rng(5).normal(0, 0.7, points.shape)
    assert fit_circle(points).spread == pytest.approx(0.7, rel=0.1)


# --- ellipse --------------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", range(-84, 91, 7))
@pytest.mark.parametrize("ratio", [0.09, 0.26, 0.7])
def test_an_exact_ellipse_at_any_angle_is_found(angle, ratio):
    fit = fit_ellipse(ellipse_points(ALL_ROUND, b=180.0 * ratio, angle_deg=angle))
    x, y, a, b, found = fit.parameters
    assert (x, y, a, b) == pytest.approx((412.0, -95.0, 180.0, 180.0 * ratio), abs=1e-5)
    assert apart_deg(np.degrees(found), angle) < 1e-5


@pytest.mark.parametrize("angle", range(0, 180, 7))
def test_five_exact_points_give_the_ellipse_through_them(angle):
    fit = fit_ellipse(ellipse_points([10, 80, 150, 200, 300], angle_deg=angle))
    assert fit.parameters[2:4] == pytest.approx((180.0, 47.0), rel=1e-6)
    assert apart_deg(np.degrees(fit.parameters[4]), angle) < 1e-5
    assert fit.spread is None


@pytest.mark.parametrize("angle", range(0, 180, 7))
@pytest.mark.parametrize("arc", [(10, 170), (190, 350), (20, 160)])
def test_one_arc_alone_gives_an_exact_ellipse(angle, arc):
    fit = fit_ellipse(ellipse_points(np.linspace(*arc, 9), angle_deg=angle))
    assert fit.parameters[2:4] == pytest.approx((180.0, 47.0), rel=1e-5)


@pytest.mark.parametrize("angle", range(0, 180, 21))
def test_a_noisy_ellipse_is_at_least_as_close_to_its_points_as_the_reference_librarys(angle):
    """scikit-image's EllipseModel: direct estimate; its residuals are distances."""
    points = ellipse_points(np.arange(16) * 22.5, angle_deg=angle)
    points = points + np.random.default_rng(angle).normal(0, 1.5, points.shape)
    reference = ellipse_estimate(points)
    ours = fit_ellipse(points)
    judge = EllipseModel(ours.parameters[:2], ours.parameters[2:4], ours.parameters[4])
    assert np.abs(ours.residuals) == pytest.approx(judge.residuals(points), abs=1e-3)
    assert (ours.residuals**2).sum() <= (reference.residuals(points) ** 2).sum() + 1e-6


@pytest.mark.parametrize("angle", range(0, 180, 21))
def test_on_a_full_outline_the_reference_librarys_ellipse_agrees_with_ours(angle):
    """Its direct estimate (Halir R, Flusser J, WSCG 1998) is algebraic: little noise is fair."""
    points = ellipse_points(np.arange(16) * 22.5, angle_deg=angle)
    points = points + np.random.default_rng(angle).normal(0, 0.02, points.shape)
    reference = ellipse_estimate(points)
    assert fit_ellipse(points).parameters[2:4] == pytest.approx(
        sorted(reference.axis_lengths, reverse=True), abs=0.05
    )


@pytest.mark.parametrize("turns", [np.arange(14) * 360 / 14, np.linspace(15, 165, 14)])
def test_the_covariance_of_an_ellipse_is_what_repeated_placing_scatters(turns):
    exact = ellipse_points(turns)
    spread = 0.05
    noise = np.random.default_rng(4).normal(0, spread, (14, 2, 6000))
    fit = fit_ellipse(exact)
    fitted = refit_ellipse(exact[:, :, None] + noise, fit.parameters)
    claimed = spread * np.sqrt(np.diag(fit.unit_covariance))
    assert fitted.std(axis=1) == pytest.approx(claimed, rel=0.05)


def test_unequal_pixels_make_an_ellipse_of_a_circle():
    """A circle on pixels 0.2 high and 0.1 wide is twice as wide as high in pixels."""
    columns, rows = (circle_points(ALL_ROUND, 0, 0, 20.0) / [0.1, 0.2]).T
    fit = fit_ellipse(np.column_stack([columns, rows]))
    assert fit.parameters[2:] == pytest.approx((200.0, 100.0, 0.0), abs=1e-6)


def test_a_point_whose_copies_lie_about_the_centre_does_not_stop_a_refit():
    around = np.array([[10.0, 0.0], [-10.0, 0.0], [0.0, 10.0], [0.0, -10.0], [0.0, 0.0]])
    shift = 0.25 * np.array([1.0, -1.0, 2.0, -2.0])
    copies = around[:, :, None] + shift
    found = refit_circle(copies, np.array([0.0, 0.0, 10.0]))
    for each, at in enumerate(shift):
        about = np.hypot(*(around + at - found[:2, each]).T)
        assert found[2, each] == pytest.approx(about.mean(), abs=1e-3)  # the best radius there


def test_noise_on_the_points_does_not_stop_many_copies_from_being_fitted():
    exact = ellipse_points(np.linspace(10, 170, 10), b=25.0)
    noise = np.random.default_rng(8).normal(0, 2.0, (10, 2, 2000))
    fitted = refit_ellipse(exact[:, :, None] + noise, fit_ellipse(exact).parameters)
    assert np.isfinite(fitted).mean() > 0.995
    assert (fitted[2] >= fitted[3])[np.isfinite(fitted[2])].all()


@given(st.floats(1, 500), st.floats(1, 500), st.floats(-10, 10))
def test_the_long_axis_comes_first_and_its_angle_is_within_half_a_turn(a, b, angle):
    ordered = ordered_axes(np.array([3.0, 4.0, a, b, angle]))
    assert ordered[2] >= ordered[3]
    assert -np.pi / 2 < ordered[4] <= np.pi / 2
    original = ellipse_points(ALL_ROUND, 3.0, 4.0, a, b, np.degrees(angle))
    model = EllipseModel(ordered[:2], ordered[2:4], ordered[4])
    assert np.abs(model.predict_xy(np.linspace(0, 6.3, 40))).max() <= np.abs(original).max() + a + b
    cos, sin = np.cos(ordered[4]), np.sin(ordered[4])
    dx, dy = (original - ordered[:2]).T
    on = ((cos * dx + sin * dy) / ordered[2]) ** 2 + ((cos * dy - sin * dx) / ordered[3]) ** 2
    assert on == pytest.approx(np.ones(len(on)), abs=1e-6)


# --- line -----------------------------------------------------------------------------------------


@given(st.floats(-180, 180), st.floats(5, 500))
def test_a_line_runs_from_its_first_point_to_its_last(angle, length):
    direction = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    centre, found = fit_line(100.0 + np.outer([0, 0.2, 0.5, 1.0], direction) * length)
    assert found == pytest.approx(direction, abs=1e-7)
    assert centre == pytest.approx(100.0 + 0.425 * length * direction)


def test_a_line_is_the_first_principal_axis_of_its_points():
    """Against numpy's singular value decomposition."""
    points = np.random.default_rng(2).normal(0, [50.0, 4.0], (9, 2))
    _, direction = fit_line(points)
    axis = np.linalg.svd(points - points.mean(axis=0))[2][0]
    assert abs(axis @ direction) == pytest.approx(1.0)


def test_many_lines_at_once_are_the_same_lines():
    points = np.random.default_rng(6).normal(0, [50.0, 4.0], (7, 5, 2)).transpose(1, 2, 0)
    centres, directions = fit_line(points)
    for draw in range(7):
        centre, direction = fit_line(points[:, :, draw])
        assert centres[:, draw] == pytest.approx(centre)
        assert directions[:, draw] == pytest.approx(direction)


# --- what is refused ------------------------------------------------------------------------------

ON_A_LINE = np.column_stack([np.arange(8.0), 3.0 * np.arange(8.0) - 2.0])


@pytest.mark.parametrize("fit", [fit_circle, fit_ellipse])
def test_points_on_a_line_are_refused(fit):
    with pytest.raises(MeasureError, match="the points lie on a line"):
        fit(ON_A_LINE)


@pytest.mark.parametrize("fit", [fit_circle, fit_ellipse])
def test_points_almost_on_a_line_are_refused(fit):
    points = 100.0 * ON_A_LINE
    points[::2, 1] += 1e-5
    with pytest.raises(MeasureError, match="line"):
        fit(points)


@pytest.mark.parametrize(("fit", "least"), [(fit_circle, 3), (fit_ellipse, 5)])
def test_too_few_points_are_refused_with_how_many_are_needed(fit, least):
    with pytest.raises(MeasureError, match=rf"too few points \({least - 1}\).*at least {least}"):
        fit(ellipse_points(ALL_ROUND[: least - 1]))
    with pytest.raises(MeasureError, match=r"too few points \(0\)"):
        fit(np.empty((0, 2)))


@pytest.mark.parametrize(("fit", "least"), [(fit_circle, 3), (fit_ellipse, 5)])
def test_points_on_one_another_do_not_count_twice(fit, least):
    points = ellipse_points(ALL_ROUND[: least - 1])
    with pytest.raises(MeasureError, match=rf"points coincide.*at least {least} different"):
        fit(np.vstack([points, points, points]))


@pytest.mark.parametrize("fit", [fit_circle, fit_ellipse])
@pytest.mark.parametrize("broken", [np.nan, np.inf])
def test_a_point_that_is_not_a_number_is_refused(fit, broken):
    points = ellipse_points(ALL_ROUND)
    points[4, 1] = broken
    with pytest.raises(MeasureError, match="not a number"):
        fit(points)


def test_a_line_through_one_place_is_refused():
    with pytest.raises(MeasureError, match="the points coincide; a line needs two that differ"):
        fit_line(np.array([[7.0, 8.0], [7.0, 8.0], [7.0, 8.0]]))


def test_points_on_a_hyperbola_are_refused_or_stay_near_their_points():
    """No ellipse runs through one branch of x y = 1 on both its arms."""
    x = np.array([0.05, 0.1, 0.3, 1.0, 3.0, 10.0, 20.0])
    points = 50.0 * np.column_stack([x, 1.0 / x])
    try:
        fit = fit_ellipse(points)
    except MeasureError as error:
        assert "ellipse" in str(error) or "determine" in str(error)
    else:
        assert np.isfinite(fit.parameters).all()
        assert np.abs(fit.residuals).max() < np.ptp(points)


# --- the arc --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("turns", "covered"),
    [([0, 90], 90), ([350, 10, 30], 40), ([0, 120, 240], 240), (np.arange(0, 360, 10), 350)],
)
def test_the_arc_is_what_the_widest_gap_leaves(turns, covered):
    points = circle_points(turns, 5.0, 6.0, 10.0)
    assert arc_covered_deg(points, (5.0, 6.0)) == pytest.approx(covered)


@pytest.mark.parametrize("draws", [3, 200])
def test_many_small_systems_are_solved_as_numpy_solves_them(draws):
    root = np.random.default_rng(9).normal(size=(draws, 5, 5))
    matrix = root @ root.transpose(0, 2, 1) + 0.5 * np.eye(5)
    right = np.random.default_rng(10).normal(size=(5, draws))
    wanted = np.stack([np.linalg.solve(matrix[i], right[:, i]) for i in range(draws)], axis=1)
    solved = solve_positive(np.moveaxis(matrix, 0, -1).copy(), right)
    assert solved == pytest.approx(wanted, rel=1e-8, abs=1e-10)
