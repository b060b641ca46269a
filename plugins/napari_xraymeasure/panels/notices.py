"""What a person has to be told, on a card over the film until it is dealt with.

It stands over the film's corner and not in the dock: a notice that comes or goes moves no button.
"""

from __future__ import annotations

from html import escape

from qtpy.QtCore import QEvent, Qt
from qtpy.QtWidgets import QFrame, QHBoxLayout, QWidget

from napari_xraymeasure.panels.widgets import button, paragraph
from xraymeasure.film.film import Film
from xraymeasure.report.layout.style import SEVERITIES

_WIDEST = 460


class Notices(QFrame):
    """A list of notices, each under its own key; a later one of the same key replaces it."""

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("xraymeasure_notices")
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self.setAutoFillBackground(True)
        self._notices: dict[str, tuple[str, str]] = {}
        layout = QHBoxLayout(self)
        layout.setContentsMargins(8, 4, 6, 4)
        self.text = paragraph(name="Notices")
        layout.addWidget(self.text, 1)
        noted = button("Noted", "Take these notices away", self.clear, "Notices read")
        layout.addWidget(noted, 0, Qt.AlignmentFlag.AlignTop)
        self.setVisible(False)

    def stand_over(self, canvas: QWidget) -> None:
        """Stand over a canvas, in its upper left corner, and follow its size."""
        self.setParent(canvas)
        canvas.installEventFilter(self)
        self._fit()
        self.setVisible(bool(self._notices))

    @property
    def texts(self) -> dict[str, str]:
        """The notices by key."""
        return {key: text for key, (_, text) in self._notices.items()}

    def say(self, key: str, text: str, severity: str = "warning") -> None:
        """Show a notice, or take the one of this key away where `text` is empty."""
        if text:
            self._notices[key] = (severity, text)
        elif self._notices.pop(key, None) is None:
            return
        self._show()

    def clear(self) -> None:
        """Take all notices away."""
        self._notices.clear()
        self._show()

    def eventFilter(self, watched: QWidget, event: QEvent) -> bool:
        """Follow the canvas when its size changes."""
        if event.type() == QEvent.Type.Resize:
            self._fit()
        return False

    def _show(self) -> None:
        self.text.setText(
            "".join(
                f"<p style='margin:2px'>{SEVERITIES[severity][0]} {escape(text)}</p>"
                for severity, text in self._notices.values()
            )
        )
        self._fit()
        self.setVisible(bool(self._notices))
        self.raise_()

    def _fit(self) -> None:
        canvas = self.parentWidget()
        if canvas is None:
            return
        width = min(_WIDEST, canvas.width() - 16)
        self.setGeometry(8, 8, width, self.layout().heightForWidth(width))


def identity_notice(film: Film) -> str:
    """Return what there is to say of identity in a film, empty if nothing is known of any."""
    parts = []
    if film.identity:
        parts.append(
            f"This film's header carries identity ({', '.join(film.identity)}). It stays in the "
            "file; pages and readings do not take it over."
        )
    if film.burned_in:
        parts.append(
            "The film says that text which identifies the patient is burned into the picture: it "
            "will show on pages and screenshots."
        )
    return " ".join(parts)
