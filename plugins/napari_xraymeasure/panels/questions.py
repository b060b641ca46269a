"""What the placing panel asks, and the answers that it offers."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from qtpy.QtWidgets import QGridLayout, QScrollArea, QSplitter, QVBoxLayout, QWidget

from napari_xraymeasure.canvas.keys import shortcut_for
from napari_xraymeasure.panels.widgets import button, once, paragraph
from napari_xraymeasure.session.session import Session
from xraymeasure.vocabulary.landmarks import LANDMARKS, Side

Answer = tuple[str, str, Callable[[], None]]
_Widget = TypeVar("_Widget", bound=QWidget)


class QuestionBox(QWidget):
    """What is asked now, with a button and a key for each answer; hidden while nothing is."""

    def __init__(self) -> None:
        super().__init__()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(3)
        self.text = paragraph(name="Question")
        layout.addWidget(self.text)
        self.answers = QGridLayout()
        self.answers.setSpacing(3)
        layout.addLayout(self.answers)
        self._asked: tuple[str, tuple[str, ...]] = ("", ())
        self._offered: list[Callable[[], None]] = []
        self._lent = 0
        # Asked once what is shown has its place.
        self._laid_out = once(self, 0, self._bring_in_sight)
        self.setVisible(False)

    def show_session(self, session: Session) -> None:
        """Ask what there is to ask of a session."""
        text, answers = question_of(session)
        # The same question of another film has the same buttons, which are to act on that film;
        # and Qt's binding keeps what a button does beyond the button: no session may be in it.
        self._offered = [act for _, _, act in answers]
        asked = (text, tuple(words for words, _, _ in answers))
        if asked == self._asked:
            return
        self._asked = asked
        while self.answers.count():
            answered = self.answers.takeAt(0).widget()
            answered.setParent(None)
            answered.deleteLater()
        self.setVisible(bool(answers))
        self.text.setText(text)
        self.text.setVisible(bool(text))
        # An answer that has a key of its own names it.
        shown = [
            words if words.endswith(")") else f"{words} ({number})"
            for number, (words, _, _) in enumerate(answers, start=1)
        ]
        longest = max(map(len, shown), default=0)
        columns = 3 if longest < 11 else 2 if longest < 20 else 1
        for place, (words, tip, _) in enumerate(answers):
            answer = button(shown[place], tip, lambda place=place: self._offered[place](), words)
            self.answers.addWidget(answer, place // columns, place % columns)
        self._laid_out.start()

    def answer(self, number: int) -> None:
        """Give the answer of a number, counted from 1, if it is offered in sight."""
        if self.isVisible() and number <= len(self._offered):
            self._offered[number - 1]()

    def keep_in_sight(self) -> None:
        """See to it that a question is in sight once what is shown has its place."""
        if not self.isHidden():
            self._laid_out.start()

    def _bring_in_sight(self) -> None:
        """Have question and answers seen: first take room from the numbers, which moves no button.

        Only what is lacking then is scrolled. The room is given back with the last question.
        """
        area, halves = (self._within(kind) for kind in (QScrollArea, QSplitter))
        if area is None or halves is None:
            return
        lacking = -self._lent
        if not self.isHidden():
            edge = self.mapTo(area.viewport(), self.rect().bottomLeft())
            lacking = edge.y() + 5 - area.viewport().height()
        if lacking > 0 or self.isHidden():
            upper, lower = halves.sizes()
            halves.setSizes([upper + lacking, lower - lacking])
            self._lent += halves.sizes()[0] - upper
        if not self.isHidden():
            area.ensureWidgetVisible(self, 0, 4)

    def _within(self, kind: type[_Widget]) -> _Widget | None:
        """Return the nearest widget of a kind that this one lies in."""
        above = self.parentWidget()
        while above is not None and not isinstance(above, kind):
            above = above.parentWidget()
        return above


def question_of(session: Session) -> tuple[str, list[Answer]]:
    """Return what is asked now, and the answers: words, tooltip, what is done."""
    if not session.side_known:
        sides = [
            (
                f"{side.capitalize()} hip",
                f"The {side} hip is under review",
                lambda side=side: session.set_operated(side),
            )
            for side in ("right", "left")
        ]
        return "", [*sides, *_as_before(session)]
    question = session.question
    if question is not None:
        return f"<b>Is that right?</b> {question.text}", _answers(session)
    head, instead = session.head_to_name, session.heads_instead
    if head:
        text = f"Which head is the {head} one? These sizes fit its outline:"
        return text, _sizes(session, head, session.fitting_heads(head))
    if instead:
        text = f"<b>Is the {instead[0]} head of the size given?</b> These fit the one on the film:"
        return text, _sizes(session, *instead)
    if session.proposed_here:
        return _proposal(session)
    cup = session.cup_to_ask
    if cup:
        known = "A lateral film or the record says so"
        return (
            f"<b>Which way does the {cup} cup open?</b> One AP film does not show it.",
            [
                ("Forward", known, _opens(session, cup, "anterior")),
                ("Backward", known, _opens(session, cup, "posterior")),
                ("Not known", "Leave it open", _opens(session, cup, None)),
            ],
        )
    return "", []


def _as_before(session: Session) -> list[Answer]:
    """Return the answer that hip and implant are those of the earlier film."""
    if session.before is None:
        return []
    known = session.known_before
    words = [f"the {session.before.reading.operated_side} hip"]
    words += [
        f"{part} {known[name]:g} mm"
        for name, part in (("head_diameter_mm", "head"), ("cup_diameter_mm", "cup"))
        if name in known
    ]
    if "cup_opens" in known:
        words.append(f"opening {'forward' if known['cup_opens'] == 'anterior' else 'backward'}")
    key = shortcut_for("confirm").shown
    tip = "The hip, and what is known of its implant, as in the reading of the earlier film"
    return [(f"As before: {', '.join(words)} ({key})", tip, session.confirm)]


def _proposal(session: Session) -> tuple[str, list[Answer]]:
    confirm, bone, refuse = (
        shortcut_for(action).shown for action in ("confirm", "confirm_bone", "refuse")
    )
    answers = [
        (f"Confirm ({confirm})", "It lies where it should", session.confirm),
        (f"Refuse ({refuse})", "Take it away, and place it by hand", session.refuse),
    ]
    beside = session.proposed_beside
    if not beside:
        return (
            "<b>Proposed by the program.</b> Confirm it if it lies on the edge; drag it to move "
            "it; click elsewhere to place it yourself.",
            answers,
        )
    together = f" {bone} confirms all {len(beside)} of this bone that are in sight."
    return (
        "<b>Carried over from the earlier film.</b> Confirm it if it lies where it should; drag it "
        f"to move it; click elsewhere to place it yourself.{together * (len(beside) > 1)}",
        answers,
    )


def _sizes(session: Session, side: Side, sizes: tuple[float, ...]) -> list[Answer]:
    def take(size: float) -> Callable[[], None]:
        return lambda: session.record_for(side, head_diameter_mm=size)

    return [(f"{size:g} mm", f"The {side} head is {size:g} mm wide", take(size)) for size in sizes]


def _opens(session: Session, side: Side, way: str | None) -> Callable[[], None]:
    return lambda: session.say_opening(side, way)


def _answers(session: Session) -> list[Answer]:
    question = session.question
    name, meant = LANDMARKS[question.name].title, LANDMARKS[question.meant].title

    def say(choice: str) -> Callable[[], None]:
        return lambda: session.answer(choice)

    answers = [
        (f"It is: {meant}", "Move what was placed to that landmark", say("move")),
        (f"Keep: {name} ({shortcut_for('release').shown})", "It was right", say("keep")),
        ("Take it away", "Place nothing", say("drop")),
    ]
    placed = [each for each, points in session.reading.landmarks.items() if points]
    if question.about == "side" and placed == [question.name]:
        side = LANDMARKS[question.meant].side
        words = f"The operated hip is the {side} one"
        answers.insert(0, (words, "Change the operated side, and move the point", say("swap")))
    return answers
