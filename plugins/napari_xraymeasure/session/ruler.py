"""A free distance or angle: points that belong to no landmark and are kept nowhere."""

from __future__ import annotations

from xraymeasure.film.film import Film
from xraymeasure.measuring.results import Measurements
from xraymeasure.reading.reading import Point
from xraymeasure.report.freehand import freehand

MOST = 3


class Ruler:
    """Two points for a distance, a third for the angle at the second; a fourth begins anew."""

    def __init__(self) -> None:
        self.active = False
        self.points: tuple[Point, ...] = ()

    def toggle(self) -> None:
        """Take clicks, or leave them to the landmarks and forget the points."""
        self.active, self.points = not self.active, ()

    def click(self, point: Point) -> bool:
        """Take a click; return whether it was taken."""
        if self.active:
            self.points = (*self.points, point) if len(self.points) < MOST else (point,)
        return self.active

    def text(self, film: Film, measured: Measurements | None) -> str:
        """Return what the points give, empty while they are too few."""
        if len(self.points) < 2:
            return ""
        return freehand(film, self.points, measured).text
