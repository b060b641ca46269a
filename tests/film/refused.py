"""What is said of a file that is no film."""

import pytest

from xraymeasure.errors import FilmError
from xraymeasure.film.read import read_film


def refused(path):
    """The one line with which a file is refused."""
    with pytest.raises(FilmError) as caught:
        read_film(path)
    message = str(caught.value)
    assert str(path) in message
    assert "\n" not in message
    return message
