"""What a run over a study did, and where what it measured is kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from xraymeasure.series.run.task import Task
from xraymeasure.series.study.readings import Place, StudyReading
from xraymeasure.vocabulary.wording import counted


@dataclass(frozen=True)
class Failure:
    """A reading that could not be measured, and why."""

    film: str
    reader: str
    occasion: int
    reason: str


@dataclass(frozen=True)
class RunSummary:
    """What a run did.

    Attributes
    ----------
    measured, unchanged : int
        Readings measured in this run, and taken over from an earlier one.
    failed : tuple of Failure
        Readings that could not be measured; each is a row of the table with its reason.
    excluded : int
        Readings of films that their reader excluded.
    unread : int
        Films of the study without any reading.
    rows : int
        Rows of the table.
    csv, parquet : Path
        The table.
    tasks : mapping of (film, reader, occasion) to Task
        Every reading that was measured, with what its numbers depend on.
    entries : tuple of StudyReading
        The readings as they were found, each parsed once.
    exclusions : mapping of (film, reader) to str
        Why readers excluded films.
    draws, seed : int
        With what it was measured.
    seconds : float
        How long it took.
    """

    measured: int
    unchanged: int
    failed: tuple[Failure, ...]
    excluded: int
    unread: int
    rows: int
    csv: Path
    parquet: Path
    tasks: Mapping[Place, Task]
    entries: tuple[StudyReading, ...]
    exclusions: Mapping[tuple[str, str], str]
    draws: int
    seed: int
    seconds: float

    @property
    def kept(self) -> Mapping[Place, Path]:
        """What was kept of every reading that was measured; see `read_kept`."""
        return {place: task.kept for place, task in self.tasks.items()}

    def why_not_measured(self, film: str, whose: Sequence[str]) -> str:
        """Return why no number of a film is by any of these readers."""
        for who in whose:
            if (film, who) in self.exclusions:
                return f"excluded by {who}: {self.exclusions[film, who]}"
        for failure in self.failed:
            if failure.film == film and failure.reader in whose:
                return f"could not be measured: {failure.reason}"
        others = sorted({who for label, who, _ in self.tasks if label == film})
        read = f" (read by {', '.join(others)})" if others else ""
        return f"not read by {' or '.join(whose)}{read}"

    def __str__(self) -> str:
        """Return the summary as one line."""
        parts = [f"{self.measured} measured", f"{self.unchanged} unchanged"]
        parts += [f"{len(self.failed)} failed"] if self.failed else []
        parts += [f"{self.excluded} excluded"] if self.excluded else []
        parts += [f"{counted(self.unread, 'film')} without a reading"] if self.unread else []
        return f"{', '.join(parts)}; {self.rows} rows in {self.csv}"
