"""The cup's outer diameter from its shell and the head, on scenes cast by the tests' camera."""

from dataclasses import replace

import numpy as np

from tests.cup_scenes import scene
from xraymeasure.measuring.measure import measure
from xraymeasure.plan.compare import CupPlan, FemurPlan, Plan, compare


def test_the_interval_holds_the_shell():
    rng = np.random.default_rng(6)
    found = []
    for tube in ("stated", "picture") * 12:
        drawn = scene(rng, tube=tube)
        row = measure(drawn.film, drawn.reading, draws=0, findings=()).primary("cup_diameter")
        found.append((row.value - drawn.shell_mm, row.low <= drawn.shell_mm <= row.high))
    errors, held = np.array(found).T
    assert abs(errors.mean()) < 0.3
    assert held.mean() >= 0.83  # 95 % of 24, less 2.5 of its spread


def test_a_wrong_head_or_plan_shows():
    rng = np.random.default_rng(7)
    drawn = scene(rng)
    side = drawn.reading.operated_side
    measured = measure(drawn.film, drawn.reading, draws=0)

    def rows(measurements, diameter):
        plan = Plan(
            side, cup=CupPlan(40.0, 15.0, outer_diameter_mm=diameter), femur=FemurPlan(offset_mm=44)
        )
        return compare(measurements, plan)

    assert "planned size" in rows(measured, drawn.shell_mm).row("cup_diameter").reason
    assert "another cup" in rows(measured, drawn.shell_mm + 4.0).row("cup_diameter").reason
    wrong = replace(drawn.reading, head_diameter_mm={side: drawn.head_mm + 4.0})
    found = rows(measure(drawn.film, wrong, draws=0), drawn.shell_mm).row("cup_diameter")
    assert "another cup" in found.reason and found.verdict is None
    # Head and shell are seen alike, so that the shell comes out too large as the head is.
    too_large = drawn.shell_mm * 4.0 / drawn.head_mm
    assert found.achieved_low <= drawn.shell_mm + too_large <= found.achieved_high


def test_a_scale_from_the_cup_itself_says_nothing_of_it():
    drawn = scene(np.random.default_rng(8))
    side = drawn.reading.operated_side
    reading = replace(drawn.reading, head_diameter_mm={}, cup_diameter_mm={side: drawn.shell_mm})
    assert measure(drawn.film, reading, draws=0).primary("cup_diameter") is None
