"""The panel that holds a film against its plan, and one reading against another."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import (
    QComboBox,
    QFileDialog,
    QFormLayout,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QVBoxLayout,
    QWidget,
)

from napari_xraymeasure.panels.widgets import (
    button,
    named,
    number_field,
    paragraph,
    rule,
    set_value,
    value_of,
)
from napari_xraymeasure.session.autosave import Beside
from napari_xraymeasure.session.numbers import Numbers
from napari_xraymeasure.session.session import Session
from xraymeasure.change.result import Change
from xraymeasure.errors import XrayMeasureError
from xraymeasure.plan.plan import Plan, Tolerance
from xraymeasure.vocabulary.wording import interval, with_unit

# (section of the plan, key, what a person reads, range, suffix)
_FIELDS: tuple[tuple[str, str, str, tuple[float, float], str], ...] = (
    ("cup", "inclination_deg", "inclination", (0, 90), "°"),
    ("cup", "anteversion_deg", "anteversion", (-45, 60), "°"),
    ("leg_length", "difference_mm", "leg-length difference", (-60, 60), " mm"),
    ("femur", "offset_mm", "femoral offset", (10, 90), " mm"),
    ("tolerance", "inclination_deg", "tolerance of inclination", (0.5, 30), "°"),
    ("tolerance", "anteversion_deg", "tolerance of anteversion", (0.5, 30), "°"),
    ("tolerance", "leg_length_mm", "tolerance of leg length", (0.5, 30), " mm"),
    ("tolerance", "offset_mm", "tolerance of offset", (0.5, 30), " mm"),
)
_ROWS = (
    ("Inclination", ("cup", "inclination_deg"), ("tolerance", "inclination_deg")),
    ("Anteversion", ("cup", "anteversion_deg"), ("tolerance", "anteversion_deg")),
    ("Leg length", ("leg_length", "difference_mm"), ("tolerance", "leg_length_mm")),
    ("Offset", ("femur", "offset_mm"), ("tolerance", "offset_mm")),
)


class ComparePanel(QWidget):
    """The plan, typed or loaded, its plot, and a second reading.

    Signals
    -------
    plan_changed : object
        The `Plan` that was typed, or None where it was cleared.
    plan_file : object
        The file of a plan that a person chose.
    second_changed : object
        The reading to be laid over this one, or None.
    before_chosen : object
        The path of the film before the operation, or None.
    beside_wanted : no arguments
        That film is to be shown beside this one, or no longer.
    """

    plan_changed = Signal(object)
    plan_file = Signal(object)
    second_changed = Signal(object)
    before_chosen = Signal(object)
    beside_wanted = Signal()

    def __init__(self) -> None:
        super().__init__()
        self._plan: Plan | None = None
        self._session: Session | None = None
        self._others: tuple[Beside, ...] = ()
        self._plot: _Plot | None = None
        self._shown: Numbers | None = None
        layout = QVBoxLayout(self)
        layout.setContentsMargins(2, 6, 2, 6)
        self.hidden = paragraph(
            "This study is blinded: the plan and other readings are hidden.", "Blinded"
        )
        layout.addWidget(self.hidden)
        self.body = QWidget()
        layout.addWidget(self.body)
        body = QVBoxLayout(self.body)
        body.setContentsMargins(0, 0, 0, 0)
        body.addLayout(self._make_files())
        body.addLayout(self._make_form())
        body.addLayout(self._make_definition())
        self.notes = paragraph(name="How the plan was taken")
        body.addWidget(self.notes)
        self._plot_place = QVBoxLayout()
        body.addLayout(self._plot_place)
        body.addWidget(rule())
        body.addLayout(self._make_second())
        body.addLayout(self._make_before())
        layout.addStretch(1)

    def _make_files(self) -> QHBoxLayout:
        row = QHBoxLayout()
        row.addWidget(
            button("Load…", "Read a plan from a .plan.toml file", self._load, "Load a plan")
        )
        row.addWidget(
            button(
                "Save…",
                "Write this plan to a .plan.toml file",
                self._save,
                "Save the plan",
            )
        )
        row.addWidget(button("Clear", "Have no plan", self._clear, "Clear the plan"))
        return row

    def _make_form(self) -> QGridLayout:
        self.fields = {}
        for section, key, words, (low, high), suffix in _FIELDS:
            name, tip, step = f"Planned {words}", f"Planned {words}; a dash: not planned", 1.0
            if section == "tolerance":
                name, step = words.capitalize(), 0.5
                tip = f"The {words}: how far from plan is still as planned"
            self.fields[section, key] = number_field(low, high, suffix, name, tip, step)
        grid = QGridLayout()
        grid.setHorizontalSpacing(2)
        for column, title in ((1, "planned"), (2, "tolerance ±")):
            grid.addWidget(QLabel(title), 0, column)
        for row, (title, planned, tolerance) in enumerate(_ROWS, start=1):
            grid.addWidget(QLabel(title), row, 0)
            grid.addWidget(self.fields[planned], row, 1)
            grid.addWidget(self.fields[tolerance], row, 2)
        for field in self.fields.values():
            field.valueChanged.connect(lambda _value: self._typed())
        return grid

    def _make_definition(self) -> QFormLayout:
        form = QFormLayout()
        self.definition = QComboBox()
        self.definition.addItems(["radiographic", "operative", "anatomical"])
        named(
            self.definition,
            "Definition of the cup's angles",
            "Which definition the planned "
            "angles follow; they are converted before they are compared",
        )
        self.plane = QComboBox()
        self.plane.addItem("coronal plane (film)", "coronal")
        self.plane.addItem("anterior pelvic plane", "anterior_pelvic")
        named(self.plane, "Plane of the cup's angles", "The plane that the planned angles refer to")
        self.tilt = number_field(
            -60,
            60,
            "°",
            "Pelvic tilt",
            "Tilt from the anterior pelvic plane to the film's plane; positive: tipped backward",
        )
        form.addRow("Definition", self.definition)
        form.addRow("Plane", self.plane)
        form.addRow("Pelvic tilt", self.tilt)
        for box in (self.definition, self.plane):
            box.activated.connect(lambda _index: self._typed())
        self.tilt.valueChanged.connect(lambda _value: self._typed())
        return form

    def _make_second(self) -> QFormLayout:
        form = QFormLayout()
        self.second = QComboBox()
        named(
            self.second,
            "Second reading",
            "Another reader's, or an earlier, reading of this film to be laid over this one",
        )
        self.second.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self.second.activated.connect(self._choose_second)
        form.addRow("Lay over it", self.second)
        return form

    def _make_before(self) -> QGridLayout:
        grid = QGridLayout()
        grid.setColumnStretch(0, 1)
        self.before = paragraph("No film before the operation.", "Film before the operation")
        grid.addWidget(self.before, 0, 0, 1, 3)
        choose = button(
            "Film before…",
            "Choose the film before the operation: planned changes need it",
            self._choose_before,
            "Choose the film before the operation",
        )
        self.beside = button(
            "Side by side",
            "Show the film before beside this one, or take it away",
            self.beside_wanted.emit,
            "Film before side by side",
        )
        self.no_before = button(
            "None",
            "Compare with no earlier film",
            lambda: self.before_chosen.emit(None),
            "No film before",
        )
        for column, each in enumerate((choose, self.beside, self.no_before)):
            grid.addWidget(each, 1, column)
        self.beside.setEnabled(False)
        self.no_before.setEnabled(False)
        return grid

    # --- what a person does

    def _choose_before(self) -> None:
        path, _ = QFileDialog.getOpenFileName(self, "The film before the operation")
        if path:
            self.before_chosen.emit(Path(path))

    def _load(self) -> None:
        path, _ = QFileDialog.getOpenFileName(self, "Load a plan", "", "Plans (*.plan.toml *.toml)")
        if path:
            self.plan_file.emit(Path(path))

    def _clear(self) -> None:
        self.plan_changed.emit(None)

    def _save(self) -> None:
        if self._plan is None or self._session is None:
            self._note("There is no plan to save: type one, or load one.")
            return
        proposed = self._session.film_path.with_suffix(".plan.toml")
        path, _ = QFileDialog.getSaveFileName(
            self, "Save the plan", str(proposed), "Plans (*.plan.toml)"
        )
        if path:
            from xraymeasure.files.atomic import write_atomically
            from xraymeasure.plan.compare import format_plan

            try:
                write_atomically(path, format_plan(self._plan))
                self._note(f"Written to {path}.")
            except (XrayMeasureError, OSError) as error:
                self._note(f"{path}: cannot be written ({error}).")

    def _note(self, text: str) -> None:
        self.notes.setText(text)
        self.notes.setVisible(bool(text))

    def _typed(self) -> None:
        """Make a plan of what the fields hold; what the form does not show is kept."""
        if self._session is None:
            return
        side = self._session.reading.operated_side
        plan = self._plan or Plan(side, tolerance=Tolerance())
        values: dict[str, dict[str, float | None]] = {}
        for (section, key), field in self.fields.items():
            values.setdefault(section, {})[key] = value_of(field)
        values["cup"] |= {
            "definition": self.definition.currentText(),
            "plane": self.plane.currentData(),
            "pelvic_tilt_deg": value_of(self.tilt),
        }
        try:
            sections = {
                section: replace(getattr(plan, section), **given)
                for section, given in values.items()
            }
            self.plan_changed.emit(replace(plan, operated_side=side, **sections))
        except ValueError as error:
            # Half of a pair of angles, for example: wait for the other half.
            self._note(_first_reason(error))

    def _choose_second(self, index: int) -> None:
        self.second_changed.emit(self._others[index - 1].reading if index > 0 else None)

    # --- what it shows

    def show_plan(self, session: Session) -> None:
        """Show the session's plan in the fields; half of a pair that is being typed stays."""
        new = session is not self._session or session.plan is not self._plan
        self._session, plan = session, session.plan
        self.hidden.setVisible(session.blinded)
        self.body.setVisible(not session.blinded)
        self._show_before(session)
        self._show_others(session.others)
        if not new:
            return
        self._plan = plan
        for (section, key), field in self.fields.items():
            set_value(field, getattr(getattr(plan, section), key) if plan else None)
        set_value(self.tilt, plan.cup.pelvic_tilt_deg if plan else None)
        self.definition.setCurrentText(plan.cup.definition if plan else "radiographic")
        self.plane.setCurrentIndex(self.plane.findData(plan.cup.plane if plan else "coronal"))

    def _show_before(self, session: Session) -> None:
        before = session.before
        if before is None:
            self.before.setText("No film before the operation is held against this one.")
        else:
            changes = session.result.changes
            lines = [f"Film before: {session.before_title}."]
            if changes is not None:
                lines += [_change_words(row) for row in changes.rows]
            self.before.setText("\n".join(lines))
        self.beside.setEnabled(before is not None)
        self.no_before.setEnabled(before is not None)

    def _show_others(self, others: tuple[Beside, ...]) -> None:
        if others == self._others and self.second.count():
            return
        self._others = others
        self.second.clear()
        self.second.addItem("nothing")
        for other in others:
            self.second.addItem(f"reader {other.reading.reader}, {other.reading.read_at[:10]}")
        self.second.setEnabled(bool(others))

    def show_numbers(self, result: Numbers) -> None:
        """Show how the plan was taken, and the cup on its plot."""
        comparison = result.comparison
        notes = [result.plan_problem] if result.plan_problem else []
        notes += comparison.notes if comparison else []
        self._note("\n".join(notes))
        if not self.isVisible() or result.measurements is None:
            return
        if self._shown is result:
            return
        self._shown = result
        if self._plot is None:
            self._plot = _Plot()
            self._plot_place.addWidget(self._plot.canvas)
        self._plot.show(result)


class _Plot:
    """Inclination against anteversion, drawn by the page's own function."""

    def __init__(self) -> None:
        from matplotlib.backends.backend_qtagg import FigureCanvasQTAgg
        from matplotlib.figure import Figure

        self._figure = Figure(figsize=(3.4, 2.9), dpi=100, layout="constrained")
        self.canvas = FigureCanvasQTAgg(self._figure)
        self.canvas.setMinimumHeight(270)
        self.canvas.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        # A wheel over it scrolls the panel.
        self.canvas.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        named(
            self.canvas,
            "Plot of inclination and anteversion",
            "The measured cup with its interval, the planned one with its tolerance",
        )

    def show(self, result: Numbers) -> None:
        from xraymeasure.report.layout import style
        from xraymeasure.report.page.orientation_plot import draw_orientation_plot

        self._figure.clear()
        axes = self._figure.add_subplot()
        draw_orientation_plot(axes, result.measurements, result.comparison)
        if axes.get_legend_handles_labels()[0]:
            # Outside: inside it would lie on the very cups that it names.
            self._figure.legend(fontsize=7, loc="outside lower center", ncols=2, frameon=False)
        axes.tick_params(labelsize=8)
        axes.grid(color=style.RULE, linewidth=0.4)
        axes.set_axisbelow(True)
        axes.spines[["top", "right"]].set_visible(False)
        axes.set_xlabel("inclination, degrees", fontsize=8)
        axes.set_ylabel("anteversion, degrees", fontsize=8)
        self.canvas.draw_idle()


def _change_words(row: Change) -> str:
    change = with_unit(row.value, row.unit, signed=True)
    text = f"{row.kind.label}: {change} ({interval(row.low, row.high, signed=True)})"
    return f"{text}, {row.verdict}" if row.verdict else text


def _first_reason(error: Exception) -> str:
    errors: Callable[[], list[dict[str, Any]]] | None = getattr(error, "errors", None)
    reason = errors()[0]["msg"] if errors else str(error)
    return reason.removeprefix("Value error, ")
