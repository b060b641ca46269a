"""Where the sample films are: invented, synthetic, shipped with the package."""

from __future__ import annotations

from pathlib import Path

from xraymeasure.errors import XrayMeasureError


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
    """Return the names of the sample films, sorted."""
    return sorted(path.stem for path in sample_folder().glob("*.dcm"))


BEFORE_OPERATION = {"long_leg": "before"}
"""Sample films that have one of the same hips before the operation, and which that is."""
