"""Whether a reading belongs to a film: asked in one place, answered in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from xraymeasure.errors import ReadingError

if TYPE_CHECKING:
    from xraymeasure.film.film import Film
    from xraymeasure.reading.reading import Reading


def binding_fault(film: Film, reading: Reading) -> str | None:
    """Return why a reading does not belong to a film, or None where nothing says so.

    The identifier is asked first, the pixels always. A reading that is bound by its identifier
    alone does not belong to a film that has none: nothing could tell.
    """
    bound = reading.film
    if bound.sop_instance_uid and film.sop_instance_uid:
        if bound.sop_instance_uid != film.sop_instance_uid:
            return (
                f"film.sop_instance_uid: the reading belongs to the film "
                f"{bound.sop_instance_uid}, not to {film.source} ({film.sop_instance_uid})"
            )
    elif bound.sop_instance_uid and not bound.pixel_sha256:
        return (
            f"film.sop_instance_uid: the reading belongs to the film {bound.sop_instance_uid}, "
            f"and {film.source} has no SOP Instance UID to tell whether it is that"
        )
    if bound.pixel_sha256 and bound.pixel_sha256 != film.pixel_sha256:
        return (
            f"film.pixel_sha256: the reading belongs to a film with other pixels than {film.source}"
        )
    return None


def check_binding(film: Film, reading: Reading) -> None:
    """Refuse a reading of another film.

    Raises
    ------
    ReadingError
        With what does not match.
    """
    fault = binding_fault(film, reading)
    if fault:
        raise ReadingError(f"{fault}; choose the film that it was placed on")
