"""Small studies with known readings, for the tests of the series."""

import json

import numpy as np
import pytest


@pytest.fixture(scope="session")
def blank_film(tmp_path_factory):
    """The geometry of a small film, and a DICOM file of it on which nothing is to be seen."""
    from dataclasses import replace

    from xraymeasure.phantom.dicom import film_dataset
    from xraymeasure.phantom.scenarios import samples

    scenario = samples(1)[0].scenario
    scenario = replace(scenario, geometry=scenario.geometry.coarser(4))
    shape = scenario.geometry.rows, scenario.geometry.columns
    path = tmp_path_factory.mktemp("film") / "blank.dcm"
    film_dataset(scenario, np.full(shape, 100, np.uint16)).save_as(path)
    return scenario, path


@pytest.fixture
def make_study(tmp_path, blank_film):
    """Return a function that makes a study of so many films, read by so many readers."""
    from xraymeasure.phantom.reader import simulate_reading
    from xraymeasure.reading.file import parse_reading
    from xraymeasure.series.study.readings import add_reading
    from xraymeasure.series.study.study import read_study

    scenario, film = blank_film

    def make(films=4, readers=("A",), occasions=1, seed=0):
        folder = tmp_path / "study"
        (folder / "films").mkdir(parents=True)
        lines = ["film,file,subject,time_point,day,side"]
        for i in range(films):
            (folder / "films" / f"{i}.dcm").write_bytes(film.read_bytes())
            lines.append(f"F{i},films/{i}.dcm,S{i},post,0,left")
        (folder / "films.csv").write_text("\n".join(lines))
        (folder / "study.toml").write_text(
            'format = "xraymeasure-study"\nversion = 1\ntitle = "Invented study"\n'
            f'films = "films.csv"\nreaders = {list(readers)}\noccasions = {occasions}\n'
            f"blinded = true\nseed = 1\n"
        )
        study = read_study(folder)
        rng = np.random.default_rng(seed)
        for film_of_study in study.films:
            for occasion in range(1, occasions + 1):
                for reader in readers:
                    record = simulate_reading(scenario, rng, reader=reader)
                    # A reading that states its own spread would take no other.
                    record.pop("placing_sd_px", None)
                    reading = parse_reading(json.dumps(record))
                    add_reading(study, film_of_study.label, occasion, reading)
        return study

    return make
