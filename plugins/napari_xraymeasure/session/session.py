"""One film on the screen: the reading made of it, what it is held against, and the numbers.

No window here. Whoever shows the session asks to be told when it changed and draws what it holds.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from napari_xraymeasure.session.autosave import Beside, Found, Keeper, Saved
from napari_xraymeasure.session.numbers import Numbers, numbers
from napari_xraymeasure.session.plan_keeping import PlanShelf
from napari_xraymeasure.session.proposing import Proposing
from xraymeasure.errors import XrayMeasureError
from xraymeasure.examination import Examination
from xraymeasure.film.film import Film
from xraymeasure.measuring.calibration import heads_like
from xraymeasure.measuring.measure import known_sizes, landmark_shares
from xraymeasure.measuring.results import Measurement
from xraymeasure.measuring.uncertainty import LandmarkShare
from xraymeasure.plan.plan import Plan, other_sizes, planned_sizes
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import SIDES, Side, landmark_name


class Session(Proposing):
    """A reader's work on one film.

    Parameters
    ----------
    film, film_path
        The film and its file.
    reading : Reading
        What was read of it so far.
    keeper : Keeper
        Saves it after every edit.
    found : Found
        What lies on disk for the film.
    plans : PlanShelf, optional
        Where its plan is kept.
    blinded : bool
        Whether plan, other readings and numbers stay hidden.
    side_known : bool
        Whether someone said which hip is under review.

    Attributes
    ----------
    plan : Plan or None
        What the film is held against.
    second : Reading or None
        Another reading of it, laid over this one.
    before : Examination or None
        The film before the operation.
    result : Numbers
        What the reading gives; never older than the reading but during a drag, until
        `measure_drag`.
    saved, plan_saved : Saved or None
        How the last save went.
    """

    def __init__(
        self,
        film: Film,
        film_path: Path,
        reading: Reading,
        keeper: Keeper,
        found: Found = Found(None, (), ()),  # noqa: B008 - immutable
        plans: PlanShelf | None = None,
        *,
        blinded: bool = False,
        side_known: bool = True,
    ) -> None:
        super().__init__(film, reading, side_known=side_known)
        self.film_path = film_path
        self.keeper = keeper
        self.found = found
        self.blinded = blinded
        self.saved: Saved | None = None
        self.plan_saved: Saved | None = None
        self.second: Reading | None = None
        self.before: Examination | None = None
        self.before_title = ""
        self._openings_left: set[Side] = set()
        self._plans = plans
        self.plan: Plan | None = None
        self.plan_notice = ""
        if plans is not None and not blinded:
            self.plan, self.plan_notice = plans.find()
        self.result = self._numbers()

    @property
    def others(self) -> tuple[Beside, ...]:
        """The other readings of this film, as far as this reader may see them."""
        return () if self.blinded else self.found.others

    @property
    def mm_per_px(self) -> float | None:
        """The scale in the plane of the hip, where it is known."""
        measured = self.result.measurements
        return measured.mm_per_px if measured else None

    @property
    def _plan_of_hip(self) -> Plan | None:
        """The plan, where it is of the hip under review."""
        plan = self.plan
        return plan if plan and plan.operated_side == self.reading.operated_side else None

    @property
    def offered(self) -> dict[str, float]:
        """The sizes that the plan knows and the reading does not."""
        plan, known = self._plan_of_hip, known_sizes(self.reading)
        planned = planned_sizes(plan) if plan else {}
        return {name: v for name, v in planned.items() if getattr(known, name) is None}

    @property
    def contradicted(self) -> dict[str, tuple[float, float]]:
        """The sizes that are not as planned: planned and used, by the reading's attribute.

        Nothing is compared until the reader has confirmed them.
        """
        plan = self._plan_of_hip
        return other_sizes(plan, known_sizes(self.reading)) if plan else {}

    @property
    def confirmed_sizes(self) -> bool:
        """Whether the reader confirmed all that is not as planned."""
        return set(self.contradicted) <= set(self.reading.not_as_planned)

    @property
    def takes_proposals(self) -> bool:
        """Whether the program may propose: to a reader who is not blinded, on an unread film."""
        reading = self.reading
        return not self.blinded and reading.proposed is None and not any(reading.landmarks.values())

    @property
    def head_diameters(self) -> dict[Side, float]:
        """The diameters of prosthetic heads that are known, by the reading or the plan."""
        offered = self.offered.get("head_diameter_mm")
        planned = {} if offered is None else {self.reading.operated_side: offered}
        return {**planned, **self.reading.head_diameter_mm}

    @property
    def head_to_name(self) -> Side | None:
        """The side of a prosthetic head that is outlined while nobody said how large it is."""
        for side in SIDES:
            name = landmark_name("femoral_head", side)
            seen = self.reading.has(name) and name not in self.reading.unconfirmed
            placed = seen and self.hips.of(side) == "replaced"
            if placed and side not in self.reading.head_diameter_mm and self.fitting_heads(side):
                return side
        return None

    @property
    def heads_instead(self) -> tuple[Side, tuple[float, ...]] | None:
        """The side of a head that was found in another size than is known, and what would fit."""
        found, known = self._proposals, self.head_diameters
        if found is None or found.hips or not self.takes_proposals:
            return None
        for hip in found.of_another_size:
            sizes = tuple(s for s in hip.plausible_heads_mm if s != known.get(hip.side))
            if hip.side in known and sizes:
                return hip.side, sizes
        return None

    def fitting_heads(self, side: Side) -> tuple[float, ...]:
        """Return the standard heads, in mm, that the outline could be."""
        return heads_like(self.film, self.reading, side)

    @property
    def cup_to_ask(self) -> Side | None:
        """The side of a cup that is outlined while nobody said which way it opens."""
        for side in SIDES:
            name = landmark_name("cup_rim", side)
            asked = side in self._openings_left or side in self.reading.cup_opens
            if self.reading.has(name) and name not in self.reading.unconfirmed and not asked:
                return side
        return None

    def shares(self, row: Measurement) -> tuple[LandmarkShare, ...]:
        """Return which click moves a number, and by how much."""
        try:
            return landmark_shares(self.film, self.reading.complete_part(), row)
        except XrayMeasureError:
            return ()

    # What a person says of the film

    def say_opening(self, side: Side, way: str | None) -> None:
        """Say which way a cup opens; None leaves it open and is not asked again."""
        self._openings_left.add(side)
        if way is None:
            self._tell("armed")
        else:
            self.record_for(side, cup_opens=way)

    def record(self, **facts: Any) -> None:
        """Set attributes of the reading other than its landmarks, as one edit."""
        self._commit(replace(self.reading, **facts))

    def record_for(self, side: Side, **facts: float | str | None) -> None:
        """Set what is known of one hip; None takes it back.

        Another size is another that was used: whether that was planned is asked anew.
        """
        changed: dict[str, Any] = {}
        kept_as_used = self.reading.not_as_planned
        for name, value in facts.items():
            if getattr(self.reading, name).get(side) != value:
                kept_as_used = tuple(each for each in kept_as_used if each != name)
            kept = {key: known for key, known in getattr(self.reading, name).items() if key != side}
            changed[name] = kept if value is None else kept | {side: value}
        self.record(**changed, not_as_planned=kept_as_used)

    def take_offered(self) -> None:
        """Take over the sizes that the plan knows."""
        self.record_for(self.reading.operated_side, **self.offered)

    def confirm_sizes(self) -> None:
        """Confirm that the reading's sizes were used, whatever the plan says."""
        self.record(not_as_planned=tuple(self.contradicted))

    def hold_against(self, plan: Plan | None, *, keep: bool = True) -> None:
        """Hold the film against a plan, or against none, and keep it as the reading is kept."""
        self.plan = plan
        if keep and self._plans is not None:
            self.plan_saved = self._plans.keep(plan)
        self._tell("edit")

    def compare_with_before(self, before: Examination | None, title: str = "") -> None:
        """Hold the film against the one before the operation, or against none."""
        self.before, self.before_title = before, title
        self._tell("edit")

    @property
    def known_before(self) -> dict[str, float | str]:
        """What the earlier reading knows of the implant of its index hip, by the attribute."""
        if self.before is None:
            return {}
        known, side = self.before.reading, self.before.reading.operated_side
        facts = ("head_diameter_mm", "cup_diameter_mm", "neck_shaft_angle_deg", "cup_opens")
        return {name: getattr(known, name)[side] for name in facts if side in getattr(known, name)}

    def confirm(self) -> None:
        """Confirm a proposal; before the side is known, that hip and implant are as before."""
        if self.side_known or self.before is None:
            super().confirm()
            return
        side, known = self.before.reading.operated_side, self.known_before
        self.set_operated(side)
        self.record_for(side, **known)

    def lay_over(self, reading: Reading | None) -> None:
        """Lay another reading of this film over the reader's own, or none."""
        self.second = reading
        self._tell("armed")

    # What follows from it

    def settle(self, result: Numbers, of: tuple[Any, ...]) -> bool:
        """Take over numbers that took longer, unless what they were made of has changed since."""
        if any(now is not then for now, then in zip(self.inputs, of, strict=True)):
            return False
        self.result = result
        return True

    @property
    def inputs(self) -> tuple[Any, ...]:
        """What the numbers are made of: film, reading, plan and the film before."""
        return self.film, self.reading, self.plan, self.before

    def measure_drag(self) -> None:
        """Measure where a drag has come to."""
        self.result = self._numbers()

    def _numbers(self) -> Numbers:
        # What there is to say of a drag is said when it ends.
        before = self.result.measurements if self.dragging else None
        findings = before.findings if before else None
        return numbers(*self.inputs, final=False, findings=findings)

    def save_again(self) -> None:
        """Try once more to save what could not be saved."""
        self._changed()

    def _changed(self) -> None:
        self.saved = self.keeper.save(self.history.present)
        self._tell("edit")

    def _tell(self, what: str) -> None:
        if what == "edit":
            self.result = self._numbers()
        super()._tell(what)
