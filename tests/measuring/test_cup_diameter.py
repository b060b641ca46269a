"""The cup's outer diameter from its shell and the head, on scenes cast by the tests' camera."""

from dataclasses import replace

import numpy as np

from tests.cup_scenes import scene
from xraymeasure.measuring.measure import measure
from xraymeasure.plan.compare import CupPlan, Plan, compare


def test_the_interval_holds_the_shell():
    rng = np.random.default_rng(6)
    found = []
    for tube in ("stated", "picture") * 12:
        drawn = scene(rng, tube=tube)
        row = measure(drawn.film, drawn.reading, draws=0).primary("cup_diameter")
        found.append((row.value - drawn.shell_mm, row.low <= drawn.shell_mm <= row.high))
    errors, held = np.array(found).T
    assert abs(errors.mean()) < 0.3
    assert held.mean() >= 0.83  # 95 % of 24, less 2.5 of its spread


def test_a_wrong_head_or_plan_shows():
    rng = np.random.default_rng(7)
    drawn = scene(rng)
    side = drawn.reading.operated_side
    measured = measure(drawn.film, drawn.reading, draws=0)

    def notes(measurements, diameter):
        plan = Plan(side, cup=CupPlan(40.0, 15.0, outer_diameter_mm=diameter))
        return [note for note in compare(measurements, plan).notes if "across" in note]

    assert notes(measured, drawn.shell_mm) == []
    assert notes(measured, drawn.shell_mm + 4.0)
    wrong = replace(drawn.reading, head_diameter_mm={side: drawn.head_mm + 4.0})
    assert notes(measure(drawn.film, wrong, draws=0), drawn.shell_mm)


def test_a_scale_from_the_cup_itself_says_nothing_of_it():
    drawn = scene(np.random.default_rng(8))
    side = drawn.reading.operated_side
    reading = replace(drawn.reading, head_diameter_mm={}, cup_diameter_mm={side: drawn.shell_mm})
    assert measure(drawn.film, reading, draws=0).primary("cup_diameter") is None
