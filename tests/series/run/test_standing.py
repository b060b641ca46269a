"""Whose word stands, by the rule that all pages of a study share."""

from types import SimpleNamespace

import numpy as np
import pytest

from xraymeasure.errors import StudyError
from xraymeasure.series.run.standing import Standing, mean_of, standing_of


def study(value="reader", adjudicator=None):
    readers = ("A", "B", "C")

    def check(reader, occasion):
        if reader not in readers:
            raise StudyError("no such reader")

    peers = tuple(reader for reader in readers if reader != adjudicator)
    return SimpleNamespace(
        readers=readers, peers=peers, value=value, adjudicator=adjudicator, check_reader=check
    )


KEPT = {
    ("F1", "A", 1), ("F1", "B", 1), ("F1", "C", 1), ("F2", "B", 1), ("F3", "A", 1), ("F3", "B", 1),
    ("F3", "C", 1), ("F1", "A", 2),
}  # fmt: skip
RUN = SimpleNamespace(kept=KEPT)


def test_the_reader_with_most_readings_stands_unless_one_is_asked_for():
    found = standing_of(study(), RUN)
    assert (found.reader, found.adjudicator, found.averaged) == ("B", None, ())
    assert [found.places(film, KEPT) for film in ("F1", "F2")] == [
        (("F1", "B", 1),), (("F2", "B", 1),)
    ]  # fmt: skip
    assert standing_of(study(), RUN, occasion=2).reader == "A"
    # Where all have as many the first of study.toml stands.
    even = SimpleNamespace(kept={("F1", "B", 1), ("F1", "A", 1)})
    assert standing_of(study(), even).reader == "A"
    asked = standing_of(study("mean", "C"), RUN, "A")
    assert asked.places("F1", KEPT) == (("F1", "A", 1),)
    assert asked.places("F2", KEPT) == ()
    assert asked.why == "Reader A was asked for."
    with pytest.raises(StudyError):
        standing_of(study(), RUN, "D")


def test_who_decides_goes_before_the_mean_of_the_others():
    found = standing_of(study("mean", "C"), RUN)
    assert found.places("F1", KEPT) == (("F1", "C", 1),)
    assert found.places("F2", KEPT) == (("F2", "B", 1),)
    without = standing_of(study("mean"), RUN)
    assert without.places("F3", KEPT) == (("F3", "A", 1), ("F3", "B", 1), ("F3", "C", 1))
    rules = [found.rule(found.places("F1", KEPT)), without.rule(without.places("F3", KEPT))]
    assert rules == ["adjudicated", "mean"]
    assert str(without) == "the mean of readers A, B, C, occasion 1"


def test_all_films_of_a_hip_are_one_readers():
    found = standing_of(study("mean", "C"), RUN)
    # C read both films; of F1 and F2 only one, so that the habit of C would look like a change.
    assert found.of_hip(("F1", "F3"), KEPT) == ("C", 1)
    assert found.of_hip(("F1", "F2"), KEPT) == ("B", 1)
    assert Standing("A", 2).of_hip(("F1", "F3"), KEPT) == ("A", 2)


def test_the_interval_of_a_mean_holds_the_truth_whatever_is_shared():
    # Readers of one film: a shared error (spread 2) and their own (spread 1), intervals of the
    # whole; the reference is the normal distribution.
    rng, half = np.random.default_rng(5), 1.96 * np.hypot(2.0, 1.0)
    held = []
    for _ in range(2000):
        values = rng.normal(0.0, 2.0) + rng.normal(0.0, 1.0, 2)
        _, low, high = mean_of([(each, each - half, each + half) for each in values])
        held.append(low <= 0.0 <= high)
    assert np.mean(held) > 0.95 - 0.015
