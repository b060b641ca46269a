"""Settings for every test, the sample films, and the command line as a test calls it."""

import gc
import os
import sys

import pytest
from hypothesis import Phase, settings

# The machine that runs them may be busy: an example that takes long is no fault. Explaining a
# failure costs more than finding it, so that phase is left out.
settings.register_profile(
    "shared_machine",
    deadline=None,
    # The same examples each time: what passes once passes again.
    derandomize=True,
    phases=[Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink],
)
settings.load_profile("shared_machine")


def pytest_collection_finish():
    """Look no more for garbage in what was imported: the window does likewise."""
    gc.collect()
    gc.freeze()


@pytest.fixture(autouse=True, scope="session")
def no_waiting_for_the_disk():
    """The disk need not have written what a reader would lose in a power cut."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda handle: None)
        yield


@pytest.fixture
def run(monkeypatch, capfd):
    """Call the command line in this process; returns exit code, standard output and error."""
    from xraymeasure import cli

    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["xraymeasure", *map(str, arguments)])
        with pytest.raises(SystemExit) as stopped:
            cli.main()
        told = capfd.readouterr()
        return stopped.value.code, told.out, told.err

    return call


@pytest.fixture(scope="session")
def plain_films(tmp_path_factory):
    """The sample films with their pixels uncompressed: the same films, read in no time."""
    import pydicom

    from xraymeasure.samples import sample_folder

    folder = tmp_path_factory.mktemp("films")

    def film(name):
        path = folder / f"{name}.dcm"
        if not path.exists():
            data = pydicom.dcmread(sample_folder() / path.name)
            data.decompress(generate_instance_uid=False)
            data.save_as(path)
        return path

    return film
