"""Where every file, film and reading of a study went."""

from xraymeasure.series.run.flow import flow_of_run
from xraymeasure.series.run.run import run_study
from xraymeasure.series.study.remarks import Remark, add_remark
from xraymeasure.series.study.study import read_study


def test_each_stage_is_the_one_before_less_what_was_lost(make_study):
    study = make_study(films=3, readers=("A", "B"))
    (study.folder / "left_out.csv").write_text(
        "label,kind,reason\nX001,lateral,its view is LL\nX002,lateral,its view is RL\n"
        "X003,copy,holds the same pixels as film F0\n"
    )
    next(iter((study.folder / "readings").glob("F2__B__*"))).unlink()
    add_remark(study, Remark("F1", "A", 1, "2026-03-01T10:00:00Z", "exclude", "the shaft is cut"))
    study = read_study(study.folder)
    files, films, asked, measured = flow_of_run(study, run_study(study, workers=0, draws=0))
    assert (files.n, [(loss.reason, loss.which) for loss in files.lost]) == (
        6,
        [("lateral films", ("X001", "X002")), ("copies of the same pixels", ("X003",))],
    )
    assert files.remaining == films.n == 3
    assert asked.n == 6 and asked.remaining == measured.n == 4
    assert {loss.reason for loss in asked.lost} == {
        "excluded by A: the shaft is cut",
        "not read by B on occasion 1",
    }
