"""What a person has to be told, at the top of the dock until it is dealt with."""

from __future__ import annotations

from html import escape

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QFrame, QHBoxLayout

from napari_xraymeasure.panels.widgets import button, paragraph
from xraymeasure.film.film import Film
from xraymeasure.report.layout.style import SEVERITIES


class Notices(QFrame):
    """A list of notices, each under its own key; a later one of the same key replaces it."""

    def __init__(self) -> None:
        super().__init__()
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self._notices: dict[str, tuple[str, str]] = {}
        layout = QHBoxLayout(self)
        layout.setContentsMargins(6, 3, 6, 3)
        self.text = paragraph(name="Notices")
        layout.addWidget(self.text, 1)
        noted = button("Noted", "Take these notices away", self.clear, "Notices read")
        layout.addWidget(noted, 0, Qt.AlignmentFlag.AlignTop)
        self.setVisible(False)

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

    def _show(self) -> None:
        self.text.setText(
            "".join(
                f"<p style='margin:2px'>{SEVERITIES[severity][0]} {escape(text)}</p>"
                for severity, text in self._notices.values()
            )
        )
        self.setVisible(bool(self._notices))


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
