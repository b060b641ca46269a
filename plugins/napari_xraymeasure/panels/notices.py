"""What a person has to be told, on a card over the film until it is dealt with.

It stands over the film's corner and not in the dock: a notice that comes or goes moves no button.
A click on it is one on the film under it; only its button takes clicks.
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
        # What is clicked through is seen through, whatever theme the window has.
        self.setStyleSheet(
            "#xraymeasure_notices { background: rgba(22, 24, 28, 200); border-radius: 4px; }"
            "QLabel { color: white; }"
        )
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self._notices: dict[str, tuple[str, str]] = {}
        # Beside the card and not in it: what lies in what takes no clicks takes none.
        self.noted = button("Noted", "Take these notices away", self.clear, "Notices read")
        layout = QHBoxLayout(self)
        layout.setContentsMargins(8, 4, self.noted.sizeHint().width() + 10, 4)
        self.text = paragraph(name="Notices")
        layout.addWidget(self.text)
        self._show()

    def stand_over(self, canvas: QWidget) -> None:
        """Stand over a canvas, in its upper left corner, and follow its size."""
        self.setParent(canvas)
        self.noted.setParent(canvas)
        canvas.installEventFilter(self)
        self._show()

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
        for part in (self, self.noted):
            part.setVisible(bool(self._notices) and self.parent() is not None)
            part.raise_()

    def _fit(self) -> None:
        canvas = self.parentWidget()
        if canvas is None:
            return
        width = min(_WIDEST, canvas.width() - 16)
        room = self.noted.sizeHint()
        height = max(self.layout().heightForWidth(width), room.height() + 8)
        self.setGeometry(8, 8, width, height)
        self.noted.setGeometry(4 + width - room.width(), 12, room.width(), room.height())


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
