"""The page as one HTML file that carries everything it shows and asks no server for anything."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from xraymeasure.report.layout import style
from xraymeasure.report.layout.document import data_address, template
from xraymeasure.report.page.content import report_content
from xraymeasure.report.page.figure import FILM_INCHES, draw_subject
from xraymeasure.report.page.orientation_plot import draw_orientation_plot
from xraymeasure.report.subject import Subject
from xraymeasure.vocabulary.quantities import SOURCES

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_PLOT_INCHES = (4.2, 3.9)
_DPI = 160


def html_page(found: Subject, show_date: bool = False) -> str:
    """Return the report as one HTML document; the parameters are those of `pdf_pages`."""
    measurements = found.measurements

    def draw_the_plot(figure: Figure) -> None:
        axes = figure.add_axes((0.14, 0.26, 0.84, 0.72))
        draw_orientation_plot(axes, measurements, found.comparison)
        handles, labels = axes.get_legend_handles_labels()
        if handles:
            figure.legend(handles, labels, loc="lower left", ncols=3, frameon=False, fontsize=8.5)

    kinds = {drawing.kind for drawing in measurements.drawings}
    return template("page.html.j2").render(
        content=report_content(found, show_date),
        film_image=_png(FILM_INCHES, lambda figure: draw_subject(figure, found)),
        plot_image=_png(_PLOT_INCHES, draw_the_plot),
        lines=[line for kind, line in style.LINES.items() if kind in kinds],
        verdicts=style.VERDICTS,
        severities=style.SEVERITIES,
        sources=SOURCES,
        shares=style.SHARES,
        style=style,
    )


def _png(inches: tuple[float, float], draw: Callable[[Figure], None]) -> str:
    """Return a drawing as a data address."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    from xraymeasure.report.layout.type import type_settings

    with rc_context(type_settings(9.0)):
        figure = Figure(figsize=inches, dpi=_DPI, facecolor=style.PAPER)
        draw(figure)
        return data_address(figure.axes)
