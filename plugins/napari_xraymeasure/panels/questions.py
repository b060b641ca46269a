"""What the placing panel asks, and the answers that it offers."""

from __future__ import annotations

from collections.abc import Callable

from napari_xraymeasure.canvas.keys import shortcut_for
from napari_xraymeasure.session.session import Session
from xraymeasure.vocabulary.landmarks import LANDMARKS, Side

Answer = tuple[str, str, Callable[[], None]]


def question_of(session: Session) -> tuple[str, list[Answer]]:
    """Return what is asked now, and the answers: words, tooltip, what is done."""
    if not session.side_known:
        return "", [
            (
                f"The patient's {side} hip",
                f"The {side} hip is under review",
                lambda side=side: session.set_operated(side),
            )
            for side in ("right", "left")
        ]
    question = session.question
    if question is not None:
        return f"<b>Is that right?</b> {question.text}", _answers(session)
    head = session.head_to_name
    if head:
        return "Which head is it? These sizes fit the outline:", [
            (f"{size:g} mm", f"The {head} head is {size:g} mm wide", _size(session, head, size))
            for size in session.fitting_heads(head)
        ]
    if session.proposed_here:
        confirm, refuse = (shortcut_for(action).shown for action in ("confirm", "refuse"))
        return (
            "<b>Proposed by the program.</b> Confirm it if it lies on the edge; drag it to move "
            "it; click elsewhere to place it yourself.",
            [
                (f"Confirm ({confirm})", "It lies where it should", session.confirm),
                (f"Refuse ({refuse})", "Take it away, and place it by hand", session.refuse),
            ],
        )
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


def _size(session: Session, side: Side, size: float) -> Callable[[], None]:
    return lambda: session.record_for(side, head_diameter_mm=size)


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
