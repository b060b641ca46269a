"""What a reader has before them, and what is kept from them."""

from dataclasses import replace

import pytest

from xraymeasure.errors import StudyError
from xraymeasure.reading.file import save_reading
from xraymeasure.reading.reading import FilmBinding, Reading
from xraymeasure.series.study.films_table import StudyFilm
from xraymeasure.series.study.placing import Placing, Spread, write_placing
from xraymeasure.series.study.readings import add_reading, draft_path
from xraymeasure.series.study.study import Study
from xraymeasure.series.study.worklist import (
    remark,
    shown_order,
    start_reading,
    visible_plan,
    visible_readings,
    worklist,
)


@pytest.fixture
def study(tmp_path):
    films = tuple(
        StudyFilm(
            f"F{i:02d}",
            tmp_path / f"{i}.dcm",
            f"S{i}",
            side="left",
            plan=tmp_path / "plan.toml",
            head_diameter_mm=36.0,
        )
        for i in range(30)
    )
    return Study(tmp_path, films, ("A", "B"), 2, True, 11)


def read(study, film, reader="A", occasion=1, at="2026-03-01T10:00:00Z"):
    add_reading(study, film, occasion, Reading(reader, at, "left"))


def labels(films):
    return [film.label for film in films]


def test_each_reader_and_occasion_sees_the_films_in_another_order(study):
    orders = [shown_order(study, who, occasion) for who in ("A", "B") for occasion in (1, 2)]
    assert all(sorted(labels(order)) == labels(study.films) for order in orders)
    assert len({tuple(labels(order)) for order in orders}) == 4
    assert labels(study.films) not in [labels(order) for order in orders]


def test_the_order_follows_the_seed_and_is_not_changed_by_a_film_that_is_added(study):
    before = labels(shown_order(study, "A", 1))
    assert labels(shown_order(study, "A", 1)) == before
    assert labels(shown_order(replace(study, seed=12), "A", 1)) != before
    more = replace(study, films=(*study.films, StudyFilm("F99", study.folder / "x", "S99")))
    after = [label for label in labels(shown_order(more, "A", 1)) if label != "F99"]
    assert after == before


def test_the_list_resumes_where_it_stopped(study):
    first, second, third = shown_order(study, "A", 1)[:3]
    assert worklist(study, "A", 1).next_film == first
    read(study, first.label)
    read(study, third.label)
    work = worklist(study, "A", 1)
    assert work.next_film == second
    assert work.done == {first.label, third.label}
    assert len(work.left) == 28
    assert replace(work, films=(first, third)).next_film is None
    assert worklist(study, "A", 2).done == worklist(study, "B", 1).done == frozenset()


def test_minutes_a_film_leave_pauses_out(study):
    moments = ["10:00:00", "10:02:00", "10:05:00", "12:30:00", "12:31:00"]
    for film, moment in zip(study.films, moments, strict=False):
        read(study, film.label, at=f"2026-03-01T{moment}Z")
    # Gaps of 2, 3 and 1 minutes; the one of 145 is a pause.
    work = worklist(study, "A", 1)
    assert work.minutes_per_film == pytest.approx(2.0)
    assert work.progress == "5 of 30 read, 25 left, 2.0 min a film"
    assert worklist(study, "B", 1).minutes_per_film is None


def test_a_film_is_excluded_by_one_reader_on_all_occasions_until_taken_in_again(study):
    work = worklist(study, "A", 1)
    film = work.next_film
    remark(work, film, "exclude", "the left teardrop is cut off")
    remark(work, work.left[1], "comment", "a screw hides the rim")
    for occasion in (1, 2):
        again = worklist(study, "A", occasion)
        assert again.excluded == {film.label: "the left teardrop is cut off"}
        assert film not in again.left and len(again.left) == 29
    assert film in worklist(study, "B", 1).left
    remark(work, film, "include", "seen after all")
    assert worklist(study, "A", 1).next_film == film


def test_blinded_readers_see_neither_plan_nor_earlier_readings(study):
    film = study.films[0]
    read(study, film.label)
    read(study, film.label, "B")
    blind = worklist(study, "A", 2)
    assert visible_plan(blind, film) is None and visible_readings(blind, film) == ()
    seeing = worklist(replace(study, blinded=False), "A", 2)
    assert visible_plan(seeing, film) == film.plan
    assert [entry.reader for entry in visible_readings(seeing, film)] == ["A", "B"]


def test_a_new_reading_carries_what_the_study_knows_and_no_landmark(study):
    film = study.films[0]
    read(study, film.label)
    write_placing(study, Placing("A", {"symphysis": Spread(2.5, 2.0, 3.2, 40, 20, sd_mm=0.4)}))
    made = start_reading(worklist(study, "A", 2), film, FilmBinding("1.2.3", None))
    assert made.landmarks == {}
    assert (made.reader, made.operated_side, made.film.sop_instance_uid) == ("A", "left", "1.2.3")
    assert made.head_diameter_mm == {"left": 36.0}
    # A spread belongs to the reader; a run turns it into the pixels of each film.
    assert made.placing_sd_px is None
    other = start_reading(worklist(study, "B", 1), film, FilmBinding())
    assert other.placing_sd_px is None


def test_a_reading_goes_on_from_its_draft(study):
    work, film = worklist(study, "A", 1), study.films[0]
    draft = start_reading(work, film, FilmBinding()).with_points("symphysis", [(3, 4)])
    save_reading(draft, draft_path(study, film.label, "A", 1))
    assert start_reading(work, film, FilmBinding()) == draft
    assert start_reading(worklist(study, "A", 2), film, FilmBinding()).landmarks == {}


def test_the_index_hip_is_never_guessed(study):
    unknown = replace(study.films[0], side=None)
    work = worklist(study, "A", 1)
    with pytest.raises(StudyError, match="say which hip"):
        start_reading(work, unknown, FilmBinding())
    assert start_reading(work, unknown, FilmBinding(), "right").operated_side == "right"
    with pytest.raises(StudyError, match="the study says"):
        start_reading(work, study.films[0], FilmBinding(), "right")
