"""A reader's placing spread is found again from simulated repeats."""

from dataclasses import replace

import numpy as np
import pytest

from xraymeasure.errors import StudyError
from xraymeasure.reading.reading import Reading
from xraymeasure.series.study.films_table import StudyFilm
from xraymeasure.series.study.placing import (
    Placing,
    Repeats,
    Spread,
    placing_file,
    placing_spread,
    read_placing,
    read_placings,
    write_placing,
)
from xraymeasure.series.study.study import Study

EMPTY = Reading("A", "2026-03-01T10:00:00Z", "left")


def circle(rng):
    angle = rng.uniform(0, 2 * np.pi, 8)
    return np.array([300.0, 400.0]) + 120 * np.column_stack([np.sin(angle), np.cos(angle)])


def ellipse(rng):
    angle = np.linspace(0, 2 * np.pi, 12, endpoint=False) + rng.uniform(0, 0.5)
    return np.array([250.0, 420.0]) + np.column_stack(
        [60 * np.sin(angle) - 90 * np.cos(angle), 30 * np.sin(angle) + 150 * np.cos(angle)]
    )


def shaft(rng):
    along = np.sort(rng.uniform(0, 500, 5))
    return np.column_stack([600 + along, 500 - 0.2 * along])


def stem(rng):
    return shaft(rng)[[0, 4]]


def tip(rng):
    return np.array([[640.0, 700.0]])


def foramen(rng):
    return np.array([[700.0, 300.0], [705.0, 380.0], [660.0, 340.0], [740.0, 345.0]])


SHAPES = {
    "femoral_head_left": circle,
    "cup_rim_left": ellipse,
    "femoral_shaft_left": shaft,
    "stem_axis_left": stem,
    "greater_trochanter_left": tip,
    "obturator_foramen_left": foramen,
}


def repeats(name, sd, films, occasions=2, pitch=None, seed=3):
    """Films read repeatedly, with points that slide along the outline from time to time."""
    rng = np.random.default_rng(seed)
    stretch = np.ones(2) if pitch is None else np.sqrt(np.prod(pitch)) / np.array(pitch)
    for _ in range(films):
        yield Repeats(
            tuple(
                EMPTY.with_points(name, (points + rng.normal(0, sd, points.shape)) * stretch)
                for points in (SHAPES[name](rng) for _ in range(occasions))
            ),
            pitch,
            0.15,
        )


def spread_of(*args, **options):
    (found,) = placing_spread("A", repeats(*args, **options)).landmarks.values()
    return found


@pytest.mark.parametrize("name", SHAPES)
def test_the_spread_of_each_kind_of_landmark_is_found_again(name):
    found = spread_of(name, 1.7, 200)
    # With 400 and more degrees of freedom the standard error of a spread is below 3.6 %.
    assert found.sd_px == pytest.approx(1.7, rel=0.1)
    assert found.low_px < 1.7 < found.high_px
    assert found.sd_mm == pytest.approx(0.15 * found.sd_px)
    assert found.films == 200


def test_a_point_that_slides_along_an_outline_is_no_error():
    found = spread_of("femoral_head_left", 0.01, 30)
    assert found.sd_px == pytest.approx(0.01, rel=0.2)


def test_unequal_pixel_spacing_does_not_bend_the_outline():
    found = spread_of("femoral_head_left", 1.0, 100, pitch=(0.2, 0.1))
    assert found.sd_px == pytest.approx(1.0, rel=0.1)


def test_the_interval_of_a_spread_covers_in_simulation():
    hits = 0
    for seed in range(400):
        found = spread_of("greater_trochanter_left", 2.0, 8, seed=seed)
        assert found.freedom == 16
        hits += found.low_px <= 2.0 <= found.high_px
    # The standard error of a share of 95 % in 400 is 1.1 %.
    assert hits / 400 == pytest.approx(0.95, abs=0.033)


def test_films_that_were_read_once_say_nothing():
    once = [replace(film, readings=film.readings[:1]) for film in repeats("cup_rim_left", 1.0, 5)]
    assert placing_spread("A", once) == Placing("A", {})


def test_too_few_repeats_are_reported_and_not_used():
    few = placing_spread("A", repeats("greater_trochanter_left", 1.0, 4))
    assert few.landmarks["greater_trochanter_left"].freedom == 8
    assert few.on_film(0.2) is None


def test_one_hand_is_one_spread_in_mm_on_films_of_different_pixels():
    spread = Spread(4.0, 3.0, 5.0, 40, 20, sd_mm=0.8)
    # 0.8 mm at the hip are 5.71 pixels of 0.14 mm and 2.67 of 0.30 mm.
    for pitch, pixels in ((0.14, 5.714), (0.30, 2.667)):
        assert Placing("A", {"symphysis": spread}).on_film(pitch) == {
            "symphysis": pytest.approx(pixels, abs=0.001)
        }
    assert Placing("A", {"symphysis": spread}).on_film(None) == {"symphysis": 4.0}


def test_a_spread_is_written_back_and_read_again(tmp_path):
    study = Study(tmp_path, (StudyFilm("F", tmp_path / "f", "S"),), ("A", "B"), 2, True, 1)
    placing = placing_spread("A", repeats("cup_rim_left", 1.0, 20))
    write_placing(study, placing)
    assert read_placing(study, "A") == placing
    assert read_placing(study, "B") is None
    without_scale = Placing("B", {"symphysis": Spread(1.0, 0.8, 1.3, 30, 15)})
    write_placing(study, without_scale)
    assert read_placing(study, "B") == without_scale


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("version = 1", "version = 9", "update xraymeasure"),
        ('reader = "A"', 'reader = "B"', "named for 'A'"),
        ("cup_rim_left", "cup_brim_left", "unknown landmark"),
        ("sd_mm = ", "sd = ", "sd: unknown key"),
        ("freedom = ", "freedom = -", "freedom"),
        ("format", "fromat", "is not a placing spread"),
    ],
)
def test_a_broken_spread_is_refused_with_words(tmp_path, old, new, words):
    study = Study(tmp_path, (StudyFilm("F", tmp_path / "f", "S"),), ("A", "B"), 2, True, 1)
    write_placing(study, placing_spread("A", repeats("cup_rim_left", 1.0, 20)))
    path = placing_file(study, "A")
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(StudyError, match=words):
        read_placing(study, "A")


def test_a_spread_of_nobody_who_reads_is_not_passed_over(tmp_path):
    study = Study(tmp_path, (StudyFilm("F", tmp_path / "f", "S"),), ("A", "B"), 2, True, 1)
    path = write_placing(study, placing_spread("A", repeats("cup_rim_left", 1.0, 20)))
    assert [code for code, placing in read_placings(study).items() if placing] == ["A"]
    path.rename(path.with_name("a.toml"))
    with pytest.raises(StudyError, match="no reader of the study is called 'a'"):
        read_placings(study)
