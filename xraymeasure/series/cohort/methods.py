"""A paragraph of methods with the actual settings, ready for a paper."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from xraymeasure.plan.compare import LABELS
from xraymeasure.series.cohort.cases import BEFORE, NO_PLAN
from xraymeasure.series.cohort.cohort import Cohort
from xraymeasure.series.cohort.settings import Settings
from xraymeasure.series.run.methods import interval_words, program_words, reading_words
from xraymeasure.vocabulary.quantities import METHODS
from xraymeasure.vocabulary.wording import counted


def methods_text(cohort: Cohort) -> str:
    """Return how the numbers of a cohort were made, as one paragraph."""
    return " ".join(_sentences(cohort))


def _sentences(cohort: Cohort) -> Iterator[str]:
    settings = cohort.settings
    yield program_words(settings.run)
    yield reading_words(settings.run, f"; the numbers given here are those of {settings.whose}")
    yield settings.standing.why
    hips, persons = len(cohort.cases), cohort.subjects
    yield (
        f"{counted(hips, 'hip')} of {counted(persons, 'person')} entered, each with the first "
        "film that shows a cup and has a plan."
    )
    before = sum(why == BEFORE for _, why in cohort.left_out)
    if before:
        yield (
            f"{counted(before, 'film')} from before the operation served as reference only and did "
            "not enter."
        )
    failed = sum(why not in (NO_PLAN, BEFORE) for _, why in cohort.left_out)
    if failed:
        yield f"{counted(failed, 'film')} with a plan did not enter, for the reasons listed."
    yield f"The scale came from the {_methods(settings, 'magnification', hips)}."
    yield (
        "Inclination and anteversion are radiographic (Murray DW, J Bone Joint Surg Br "
        "1993;75-B:228-232), to the coronal plane of the film, obtained from the "
        f"{_methods(settings, 'radiographic_anteversion', hips)}; reference line: "
        f"{_counted(settings.references, hips)}."
    )
    if "leg_length_difference" in settings.methods:
        yield (
            "Leg length was taken from the lesser trochanters to the reference line, "
            f"{_methods(settings, 'leg_length_difference', hips)}, and femoral offset from the "
            f"centre of the head to the axis of the shaft, "
            f"{_methods(settings, 'femoral_offset', hips)}, both in mm in the plane of the hip."
        )
    yield interval_words(settings.run)
    yield (
        "Angles that were planned or recorded in another definition or plane were converted to "
        "radiographic ones in the film's coronal plane first."
    )
    limits = "; ".join(
        f"{LABELS[name].lower()} "
        + " or ".join(f"{value:g}" for value in values)
        + (" degrees" if name.startswith("radiographic") else " mm")
        for name, values in settings.tolerances.items()
    )
    if limits:
        yield (
            f"Tolerances: {limits}. A hip counts in the share within tolerance by its measured "
            "value; it was called within or outside where the whole 95 % interval of the "
            "difference lay there, undecided otherwise. Shares have score intervals (Wilson EB, "
            "J Am Stat Assoc 1927;22:209-212)."
        )
    yield (
        "Achieved and planned, and recorded and measured values were compared by mean difference "
        "and 95 % limits of agreement (Bland JM, Altman DG, Lancet 1986;1:307-310), the limits "
        "with intervals that are exact for normal differences (Carkeet A, Optom Vis Sci "
        "2015;92:e71-80)."
    )
    if len(settings.run.readers) > 1 or settings.run.occasions > 1:
        yield (
            "Reliability, where it is reported for this study, is ICC(2,1) (two-way random "
            "effects, absolute agreement, single reading) and ICC(3,1) (two-way mixed effects, "
            "consistency, single reading) with 95 % intervals (Shrout PE, Fleiss JL, Psychol Bull "
            "1979;86:420-428; McGraw KO, Wong SP, Psychol Methods 1996;1:30-46)."
        )
    if settings.run.frozen:
        yield settings.run.frozen


def _methods(settings: Settings, name: str, hips: int) -> str:
    return _counted(settings.methods.get(name, {}), hips)


def _counted(counts: Mapping[str, int], hips: int) -> str:
    """Return the keys in words; how many hips each stands for where not for all."""
    if not counts:
        return "not obtained"
    ranked = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    return " and ".join(
        METHODS.get(key, key) + ("" if count == hips else f" ({counted(count, 'hip')})")
        for key, count in ranked
    )
