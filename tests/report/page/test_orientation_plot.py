from dataclasses import replace

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from xraymeasure.plan.compare import CupPlan, Plan, Tolerance, compare
from xraymeasure.report.page.orientation_plot import draw_orientation_plot


def plotted(measurements, comparison=None):
    figure = Figure(figsize=(4, 3), dpi=100)
    axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    draw_orientation_plot(axes, measurements, comparison)
    FigureCanvasAgg(figure).draw()
    points = {
        line.get_label(): (float(line.get_xdata()[0]), float(line.get_ydata()[0]))
        for line in axes.lines
        if not line.get_label().startswith("_")
    }
    return axes, points


def test_planned_recorded_and_measured_cup_stand_at_their_angles(measurements, comparison):
    _, points = plotted(measurements, comparison)
    assert points == {
        "planned": (40.0, 20.0),
        "recorded": (41.0, 22.0),
        "measured, 95 %": (42.0, 24.0),
    }


def test_the_tolerance_is_a_box_about_the_planned_point(measurements, comparison):
    axes, _ = plotted(measurements, comparison)
    (box,) = (patch for patch in axes.patches if patch.get_label() == "tolerance")
    assert (box.get_x(), box.get_y(), box.get_width(), box.get_height()) == (35, 15, 10, 10)


def test_without_a_tolerance_there_is_a_point_and_no_box(measurements):
    axes, points = plotted(measurements, compare(measurements, Plan("left", CupPlan(40, 20))))
    assert points["planned"] == (40.0, 20.0)
    assert not axes.patches


def test_half_a_plan_is_no_point(measurements):
    plan = Plan("left", CupPlan(40), tolerance=Tolerance(5, 5))
    axes, points = plotted(measurements, compare(measurements, plan))
    assert "planned" not in points
    assert not axes.patches


def test_the_other_pose_is_told_in_words_where_it_lies_off_the_plot(measurements, comparison):
    axes, points = plotted(measurements, comparison)
    assert "other pose" not in points
    assert [text.get_text() for text in axes.texts] == ["↓ other pose, same outline: 44.0/−19.0"]


def test_the_other_pose_is_drawn_where_it_lies_on_the_plot(measurements):
    near = tuple(
        replace(row, value=3.0, low=1.0, high=5.0)
        if row.name == "radiographic_anteversion" and row.method == "perspective_other"
        else row
        for row in measurements.rows
    )
    axes, points = plotted(replace(measurements, rows=near))
    assert points["other pose"] == (44.0, 3.0)
    assert not axes.texts


def test_a_degree_is_as_long_along_either_axis(measurements, comparison):
    axes, _ = plotted(measurements, comparison)
    origin, along, up = axes.transData.transform([(40, 10), (50, 10), (40, 20)])
    assert along[0] - origin[0] == pytest.approx(up[1] - origin[1])


def test_a_cup_far_off_still_lies_within_the_plot(measurements, comparison):
    far = tuple(
        replace(row, value=78.0, low=75.0, high=80.0)
        if row.name == "radiographic_inclination" and row.primary
        else row
        for row in measurements.rows
    )
    axes, _ = plotted(replace(measurements, rows=far), comparison)
    assert axes.get_xlim()[0] < 35
    assert axes.get_xlim()[1] > 80
