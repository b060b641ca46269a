import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from xraymeasure.report.page.place_labels import place_labels

FRAME = (0.0, 0.0, 1000.0, 600.0)
NOTHING = np.empty((0, 2))


def boxes(centres, sizes):
    return [
        (x - width / 2, y - height / 2, x + width / 2, y + height / 2)
        for (x, y), (width, height) in zip(centres, sizes, strict=True)
    ]


def overlap(one, other):
    sides = np.minimum(one[2:], other[2:]) - np.maximum(one[:2], other[:2])
    return float(np.prod(np.maximum(sides, 0)))


@given(st.lists(st.tuples(st.floats(0, 1000), st.floats(0, 600)), min_size=1, max_size=8))
def test_labels_stay_on_the_film_and_off_one_another(anchors):
    sizes = [(120.0, 30.0)] * len(anchors)
    placed = boxes(place_labels(anchors, sizes, NOTHING, FRAME), sizes)
    for box in placed:
        assert box[0] >= 0
        assert box[1] >= 0
        assert box[2] <= 1000
        assert box[3] <= 600
    for number, one in enumerate(placed):
        for other in placed[number + 1 :]:
            assert overlap(np.array(one), np.array(other)) < 1e-6


def test_a_label_keeps_off_what_stands_there_already():
    taken = (300.0, 200.0, 700.0, 300.0)
    centres = place_labels([(500.0, 310.0)], [(120.0, 30.0)], NOTHING, FRAME, [taken])
    assert overlap(np.array(boxes(centres, [(120.0, 30.0)])[0]), np.array(taken)) == 0.0


def test_a_label_rather_covers_nothing_that_is_drawn():
    line = np.stack([np.linspace(0, 1000, 200), np.full(200, 260.0)], axis=-1)
    (_, y), *_ = place_labels([(500.0, 290.0)], [(120.0, 30.0)], line, FRAME)
    assert abs(y - 260.0) > 15.0


def test_a_label_stands_near_what_it_names():
    ((x, y),) = place_labels([(500.0, 300.0)], [(120.0, 30.0)], NOTHING, FRAME)
    assert np.hypot(x - 500.0, y - 300.0) < 100.0
