"""Where the sample films are: invented, synthetic, shipped with the package."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from xraymeasure.errors import XrayMeasureError

if TYPE_CHECKING:
    from xraymeasure.film.film import Film
    from xraymeasure.plan.plan import Plan
    from xraymeasure.reading.reading import Reading


def sample_folder() -> Path:
    """Return the folder of the sample films, with their readings, plans and truth.

    Raises
    ------
    XrayMeasureError
        If the package was installed without them.
    """
    package = Path(__file__).parent
    # Installed they lie inside the package; in a checkout beside it.
    for folder in (package / "sample_images", package.parent / "sample_images"):
        if folder.is_dir():
            return folder
    raise XrayMeasureError("the sample films are missing; install xraymeasure again")


def sample_names() -> list[str]:
    """Return the names of the sample films, sorted.

    Examples
    --------
    >>> sample_names()[:3]
    ['before', 'bilateral', 'hip_centred']
    """
    return sorted(path.stem for path in sample_folder().glob("*.dcm"))


BEFORE_OPERATION = {"long_leg": "before"}
"""Sample films that have one of the same hips before the operation, and which that is."""


def sample(name: str) -> tuple[Film, Reading, Plan]:
    """Return a sample film, the reading of a simulated reader, and its plan; all invented.

    Parameters
    ----------
    name : str
        One of `sample_names`.

    Raises
    ------
    XrayMeasureError
        If there is no sample film of that name; the message lists them.

    See Also
    --------
    examine : Measures it and holds it against the plan.

    Examples
    --------
    >>> film, reading, plan = sample("well_placed")
    >>> reading.operated_side == plan.operated_side
    True
    """
    from xraymeasure.film.read import read_film
    from xraymeasure.plan.plan import read_plan
    from xraymeasure.reading.file import read_reading

    if name not in sample_names():
        raise XrayMeasureError(
            f"{name}: no sample film of that name; there are {', '.join(sample_names())}"
        )
    stem = sample_folder() / name
    return (
        read_film(stem.with_suffix(".dcm")),
        read_reading(stem.with_suffix(".reading.json")),
        read_plan(stem.with_suffix(".plan.toml")),
    )
