"""The page as one HTML file that carries everything it shows and asks no server for anything."""

from __future__ import annotations

from xraymeasure.report.layout import style
from xraymeasure.report.layout.document import address, data_address, template
from xraymeasure.report.layout.light_box import LightBox
from xraymeasure.report.page.page import Pages
from xraymeasure.vocabulary.quantities import SOURCES

# The film may be looked at more closely than the page; quality is the format's, of 100.
_FINER, _QUALITY = 1.4, 92


def html_page(pages: Pages) -> str:
    """Return a report as one HTML document, with the pictures that are printed."""
    kinds = {drawing.kind for drawing in pages.found.measurements.drawings}
    film, film_part = pages.film
    (ground,) = film.images
    assert isinstance(ground, LightBox)
    # Over the film alone its lines stay sharp, and both together are a fifth as large.
    ground.set_visible(False)
    lines = data_address([film], film_part, paper=False)
    ground.set_visible(True)
    columns, rows = (round(_FINER * extent) for extent in (film.bbox.width, film.bbox.height))
    return template("page.html.j2").render(
        content=pages.content,
        film_image=address(ground.picture(columns, rows), "jpeg", quality=_QUALITY),
        lines_image=lines,
        plot_image=data_address([pages.plot[0]], pages.plot[1]) if pages.plot else "",
        lines=[line for kind, line in style.LINES.items() if kind in kinds],
        verdicts=style.VERDICTS,
        severities=style.SEVERITIES,
        sources=SOURCES,
        shares=style.SHARES,
        style=style,
    )
