"""Moments as the files write them: ISO 8601, in UTC."""

from __future__ import annotations

from datetime import UTC, datetime


def now(timespec: str = "seconds") -> str:
    """Return the present moment as a reading writes it, such as ``2026-01-31T10:15:00Z``.

    Parameters
    ----------
    timespec : str, optional
        How fine, as in `datetime.isoformat`.
    """
    return datetime.now(UTC).isoformat(timespec=timespec).replace("+00:00", "Z")


def moment_from(text: str) -> datetime:
    """Return a written moment; one without a zone is taken as UTC.

    Raises
    ------
    ValueError
        If the text is not a date and time in ISO 8601.

    Examples
    --------
    >>> moment_from("2026-01-31T10:15:00Z") == moment_from("2026-01-31T11:15:00+01:00")
    True
    """
    moment = datetime.fromisoformat(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
