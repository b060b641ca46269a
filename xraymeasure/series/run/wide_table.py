"""The wide table of a study, one row a reading, and the labels of its columns for R and Stata.

A measurement has three columns: the value by its primary method, and the ends of its 95 % interval
with ``_low`` and ``_high``. What belongs to a hip is of the index hip. Names have at most 32
letters, which is what Stata allows, are no reserved word of either program, and differ in more than
upper and lower case.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from xraymeasure.about import CAUTION
from xraymeasure.files.tables import csv_text
from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.run.task import read_kept
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.quantities import QUANTITIES

_HEAD = {
    "film": "label of the film in the study",
    "subject": "pseudonym of the person",
    "time_point": "what the study calls the moment",
    "day": "days since the subject's first film",
    "side": "index hip",
    "reader": "code of the reader",
    "occasion": "occasion of the reader",
}
_CAUTION = "caution"
_UNITS = {"deg": "degrees", "mm": "mm", "px": "pixels", "1": "ratio"}
_LONGEST = 32
# Reserved in Stata ([U] 11.3) or R (?Reserved), both from memory; neither takes them as a name.
_RESERVED = frozenset(
    "byte double float if in int long using with strL for while repeat function else next break "
    "true false null na nan inf _all _b _coef _cons _n _pi _pred _rc _skip".lower().split()
)
_LONGEST_LABEL = 80


def wide_files(study: Study, summary: RunSummary) -> dict[str, str]:
    """Return ``wide.csv`` and its labels as ``wide.R`` and ``wide.do``: name of file to text."""
    groups = _group_names(film.groups for film in study.films)
    rows = list(_rows(study, summary, groups))
    present = {name for row in rows for name in row}
    labels = _HEAD | {column: f"{name} (films.csv)" for name, column in groups.items()}
    for name, quantity in QUANTITIES.items():
        if name in present:
            unit = _UNITS[quantity.unit]
            labels[name] = f"{quantity.label}, {unit}"
            labels[f"{name}_low"] = f"{quantity.label}, {unit}, lower end of 95 % interval"
            labels[f"{name}_high"] = f"{quantity.label}, {unit}, upper end of 95 % interval"
    labels[_CAUTION] = "what the numbers are for, and what not"
    # Text whatever it looks like: a reader called T is not true, and a film called 007 not 7.
    texts = ["film", "subject", "time_point", "side", "reader"]
    for name, column in groups.items():
        if not all(_is_number(film.groups.get(name, "0")) for film in study.films):
            texts.append(column)
    return {
        "wide.csv": csv_text(tuple(labels), rows),
        "wide.R": _r_script(labels, texts),
        "wide.do": _stata_script(labels, texts),
    }


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _group_names(tables: Iterable[Mapping[str, str]]) -> dict[str, str]:
    """Return the columns of films.csv that are the study's own, and what they are called here."""
    found: dict[str, str] = {}
    ends = ("", "_low", "_high")
    taken = {*_HEAD, _CAUTION, *_RESERVED, *(f"{name}{end}" for name in QUANTITIES for end in ends)}
    for name in dict.fromkeys(name for table in tables for name in table):
        plain = re.sub(r"\W+", "_", name, flags=re.ASCII).strip("_")
        # Stata's str1, str2 and so on are types.
        if not plain[:1].isalpha() or re.fullmatch(r"str\d+", plain, re.IGNORECASE):
            plain = f"group_{plain}".rstrip("_")
        column = plain[:_LONGEST]
        number = 1
        while column.lower() in taken:
            number += 1
            column = f"{plain[: _LONGEST - 3]}_{number}"
        taken.add(column.lower())
        found[name] = column
    return found


def _rows(study: Study, summary: RunSummary, groups: Mapping[str, str]) -> Iterable[dict[str, Any]]:
    films = {film.label: film for film in study.films}
    for (label, reader, occasion), path in summary.kept.items():
        film, kept = films[label], read_kept(path)
        row: dict[str, Any] = {
            "film": label,
            "subject": film.subject,
            "time_point": film.time_point,
            "day": film.day,
            "side": kept["operated_side"],
            "reader": reader,
            "occasion": occasion,
            _CAUTION: CAUTION,
        }
        row |= {groups[name]: value for name, value in film.groups.items()}
        for each in kept["rows"]:
            # What belongs to the film has no side, and then no index side either.
            if each["status"] == "measured" and each["primary"] and each["index_side"] is not False:
                name = each["measurement"]
                row[name] = each["value"]
                row[f"{name}_low"], row[f"{name}_high"] = each["low"], each["high"]
        yield {name: value for name, value in row.items() if value is not None}


def _r_script(labels: Mapping[str, str], texts: Sequence[str]) -> str:
    kinds = ", ".join(f'{name} = "character"' for name in texts)
    read = f'read.csv("wide.csv", fileEncoding = "UTF-8", na.strings = "", colClasses = c({kinds}))'
    lines = [f"# {CAUTION}", f"wide <- {read}"]
    lines += [f'attr(wide${name}, "label") <- "{_plain(label)}"' for name, label in labels.items()]
    return "\n".join([*lines, ""])


def _stata_script(labels: Mapping[str, str], texts: Sequence[str]) -> str:
    places = " ".join(str(place) for place, name in enumerate(labels, 1) if name in texts)
    read = f'"wide.csv", case(preserve) encoding("UTF-8") stringcols({places}) clear'
    lines = [f"* {CAUTION}", f"import delimited {read}"]
    lines += [
        f'label variable {name} "{_plain(label)[:_LONGEST_LABEL]}"'
        for name, label in labels.items()
    ]
    return "\n".join([*lines, ""])


def _plain(label: str) -> str:
    """Return a label without what ends a text in either program."""
    return re.sub(r'["`$\\]', "'", label)
