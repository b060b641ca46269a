"""The first minute in a new window."""

import shutil

from xraymeasure.reading.file import save_reading
from xraymeasure.samples import sample_folder


def test_an_empty_window_says_in_three_lines_what_to_do(empty):
    lines = empty.dock.first.lines
    assert lines.isVisible()
    assert lines.text().count("<p>") == 3
    assert "Drop" in lines.text()


def test_a_film_dropped_on_the_window_is_opened_for_reading(empty, sample):
    empty.drop(sample())
    assert empty.dock.session.film.source == "well_placed.dcm"
    assert empty.viewer.layers.selection.active is empty.dock.view.layer


def test_a_folder_dropped_on_the_window_opens_its_first_film_and_offers_the_others(empty, sample):
    folder = sample("well_placed").parent
    sample("bilateral")
    empty.drop(folder)
    dock = empty.dock
    assert dock.session.film_path.name == "bilateral.dcm"
    assert [dock.films.itemText(i) for i in range(dock.films.count())] == [
        "○ bilateral.dcm",
        "○ well_placed.dcm",
    ]
    dock.films.setCurrentIndex(1)
    dock.films.activated.emit(1)
    assert dock.session.film_path.name == "well_placed.dcm"
    assert [layer.name for layer in empty.viewer.layers] == ["well_placed.dcm"]
    assert dock.films.count() == 2


def test_a_reading_opened_alone_brings_its_film(empty, sample, placed):
    film = sample()
    path = film.with_name("well_placed.S.reading.json")
    save_reading(placed(), path)
    empty.drop(path)
    assert empty.dock.session.film_path == film
    assert empty.dock.session.second == placed()


def test_an_existing_reading_comes_back(empty, sample, placed):
    film = sample()
    shutil.copy(
        sample_folder() / "well_placed.reading.json", film.with_name("well_placed.S.reading.json")
    )
    empty.dock.reader = "S"
    empty.drop(film)
    assert empty.dock.session.reading == placed()
    assert empty.dock.session.armed is None


def test_the_dock_opens_from_napari_s_menus_and_takes_up_the_film_that_is_there(own_viewer, sample):
    from napari_xraymeasure.dock import Dock

    viewer = own_viewer
    viewer.open(sample(), plugin="xraymeasure")
    window = viewer.window
    entries = [action.text() for menu in (window.plugins_menu,) for action in menu.actions()]
    measure = next(
        action.menu()
        for action in window.layers_menu.actions()
        if action.menu() and "Measure" in action.text()
    )
    entries += [action.text() for action in measure.actions()]
    assert sum("Read hip films" in entry for entry in entries) == 2, entries
    _, dock = window.add_plugin_dock_widget("xraymeasure", "Read hip films")
    assert isinstance(dock, Dock)
    assert dock.session.film.source == "well_placed.dcm"
    overlay = dock.view.overlay
    window.remove_dock_widget(dock)
    # Nothing of a dock that was closed stays over the film, or takes its keys.
    assert overlay.isHidden() and dock.session is None
    assert not viewer.layers[0].mouse_drag_callbacks
