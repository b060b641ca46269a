"""What the page on agreement says, as text: the PDF and the HTML page draw the same."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from xraymeasure.caution import CAUTION
from xraymeasure.landmarks import LANDMARKS
from xraymeasure.measurements import QUANTITIES
from xraymeasure.report import words
from xraymeasure.series.agreement import Coefficient, Estimate, Limits, Reliability
from xraymeasure.series.placing import MINIMUM_FREEDOM, Placing
from xraymeasure.series.reliability import AgreementReport, MeasurementAgreement

_SYMBOL = {"deg": "°", "mm": "mm", "px": "px", "1": ""}


@dataclass(frozen=True)
class Group:
    """Lines of a table under one title; a line of two cells is a label and a reason."""

    title: str
    subtitle: str
    lines: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class TextTable:
    """A table as text."""

    heading: str
    columns: tuple[str, ...]
    groups: tuple[Group, ...]


@dataclass(frozen=True)
class AgreementContent:
    """Everything that is written on the page."""

    title: str
    identity: tuple[str, ...]
    summary: str
    tables: tuple[TextTable, ...]
    notes: tuple[str, ...]
    caution: str


def shown_measurements(report: AgreementReport) -> tuple[MeasurementAgreement, ...]:
    """Return what the page shows: one method each, and no conversions of what is shown already.

    The table for a spreadsheet holds all.
    """
    return tuple(
        entry
        for entry in report.measurements
        if entry.primary
        and QUANTITIES[entry.name].unit != "px"
        and not entry.name.startswith(("operative_", "anatomical_"))
    )


def agreement_content(report: AgreementReport) -> AgreementContent:
    """Return the texts of the page."""
    shown = shown_measurements(report)
    tables = [
        TextTable(
            "Reliability and error of measurement, with 95 % intervals",
            (
                "",
                "n",
                "ICC(2,1) agreement",
                "ICC(3,1) consistency",
                "SEM",
                "MDC95",
                "within-film SD",
                "repeatability",
            ),
            tuple(_reliability_group(entry) for entry in shown),
        ),
        TextTable(
            "Limits of agreement, with 95 % intervals",
            ("", "n", "mean difference", "lower limit", "upper limit", "SD of differences"),
            tuple(_limits_group(entry) for entry in shown),
        ),
    ]
    if report.placing:
        tables.append(
            TextTable(
                "Placing spread of the readers, from repeats",
                ("", "px", "95 % interval (px)", "mm", "films", "used"),
                tuple(_placing_group(placing) for placing in report.placing),
            )
        )
    return AgreementContent(
        title="Agreement of readings",
        identity=tuple(
            part for part in (report.title, f"readers {', '.join(report.readers)}") if part
        ),
        summary=_summary(report),
        tables=tuple(tables),
        notes=(
            *report.notes,
            "Placing spread: one standard deviation of each coordinate of a point; of outlines and "
            "axes across the curve that is common to the repeats, because points slide along it. "
            f"Below {MINIMUM_FREEDOM} degrees of freedom it is not used.",
        ),
        caution=CAUTION,
    )


def _summary(report: AgreementReport) -> str:
    occasions = "one occasion" if report.occasions == 1 else f"{report.occasions} occasions"
    text = (
        f"{report.films} films of {report.subjects} subjects, read by {len(report.readers)} "
        f"{'reader' if len(report.readers) == 1 else 'readers'} on {occasions}."
    )
    if report.failed:
        text += f" {report.failed} readings could not be measured."
    if report.excluded:
        text += f" {report.excluded} readings are of films that their reader excluded."
    return text


def _titled(entry: MeasurementAgreement) -> str:
    symbol = _SYMBOL[QUANTITIES[entry.name].unit]
    return f"{entry.title} ({symbol})" if symbol else entry.title


def _decimals(entry: MeasurementAgreement) -> int:
    # A spread is read with one figure more than what it is the spread of.
    return QUANTITIES[entry.name].decimals + 1


def _reliability_group(entry: MeasurementAgreement) -> Group:
    decimals = _decimals(entry)
    lines = []
    for comparison in entry.comparisons:
        found = comparison.reliability
        if isinstance(found, str):
            lines.append((comparison.label, found))
            continue
        n = f"{found.n}" + (f" (−{found.left_out})" if found.left_out else "")
        lines.append(
            (
                comparison.label,
                n,
                _with_interval(found.icc("ICC(2,1)"), 2),
                _with_interval(found.icc("ICC(3,1)"), 2),
                words.number(found.sem_agreement, decimals),
                words.number(found.mdc95_agreement, decimals),
                _with_interval(found.within_sd, decimals),
                _with_interval(found.repeatability, decimals),
            )
        )
    return Group(_titled(entry), entry.method_title, tuple(lines))


def _limits_group(entry: MeasurementAgreement) -> Group:
    decimals = _decimals(entry)
    lines = []
    for comparison in entry.comparisons:
        for pair, found in comparison.limits:
            if isinstance(found, str):
                lines.append((pair, found))
                continue
            estimates = (found.bias, found.lower, found.upper)
            lines.append(
                (
                    pair,
                    str(found.n),
                    *(_with_interval(estimate, decimals, signed=True) for estimate in estimates),
                    words.number(found.sd, decimals),
                )
            )
    return Group(_titled(entry), entry.method_title, tuple(lines))


def _placing_group(placing: Placing) -> Group:
    return Group(
        f"Reader {placing.reader}",
        "",
        tuple(
            (
                LANDMARKS[spread.landmark].title,
                words.number(spread.sd_px, 2),
                words.interval(spread.low_px, spread.high_px, 2),
                "" if spread.sd_mm is None else words.number(spread.sd_mm, 2),
                str(spread.films),
                "yes" if spread.usable else "too few repeats",
            )
            for spread in placing.spreads
        ),
    )


def _with_interval(estimate: Estimate | Coefficient, decimals: int, signed: bool = False) -> str:
    ends = words.interval(estimate.low, estimate.high, decimals, signed)
    return f"{words.number(estimate.value, decimals, signed)} ({ends})"


_CSV_COLUMNS = (
    "measurement",
    "method",
    "primary",
    "unit",
    "comparison",
    "statistic",
    "description",
    "n",
    "value",
    "low",
    "high",
    "absent_because",
    "caution",
)


def agreement_csv(report: AgreementReport) -> str:
    """Return every statistic of every measurement and method, one a line."""
    stream = io.StringIO()
    table = csv.DictWriter(stream, _CSV_COLUMNS, restval="", lineterminator="\n")
    table.writeheader()
    for entry in report.measurements:
        common = {
            "measurement": entry.name,
            "method": entry.method,
            "primary": "true" if entry.primary else "false",
            "unit": QUANTITIES[entry.name].unit,
            "caution": CAUTION,
        }
        for comparison in entry.comparisons:
            for statistic in _statistics(comparison.label, comparison.reliability):
                table.writerow(common | statistic)
            for pair, limits in comparison.limits:
                for statistic in _limits_statistics(pair, limits):
                    table.writerow(common | statistic)
    return stream.getvalue()


def _statistics(label: str, found: Reliability | str) -> Iterator[dict[str, object]]:
    if isinstance(found, str):
        yield {"comparison": label, "statistic": "reliability", "absent_because": found}
        return
    common = {"comparison": label, "n": found.n}
    for coefficient in found.coefficients:
        yield common | {
            "statistic": coefficient.name,
            "description": coefficient.full_name,
            **_ends(coefficient),
        }
    plain: Iterable[tuple[str, str, float]] = (
        ("sem_consistency", "standard error of measurement, consistency", found.sem_consistency),
        ("sem_agreement", "standard error of measurement, agreement", found.sem_agreement),
        ("mdc95_consistency", "minimal detectable change, consistency", found.mdc95_consistency),
        ("mdc95_agreement", "minimal detectable change, agreement", found.mdc95_agreement),
    )
    for name, description, value in plain:
        yield common | {"statistic": name, "description": description, "value": repr(value)}
    yield common | {
        "statistic": "within_sd",
        "description": "within-film standard deviation, one-way",
        **_ends(found.within_sd),
    }
    yield common | {
        "statistic": "repeatability",
        "description": "repeatability coefficient",
        **_ends(found.repeatability),
    }


def _limits_statistics(pair: str, found: Limits | str) -> Iterator[dict[str, object]]:
    if isinstance(found, str):
        yield {"comparison": pair, "statistic": "limits", "absent_because": found}
        return
    for name, description, estimate in (
        ("bias", "mean difference", found.bias),
        ("lower_limit", "lower 95 % limit of agreement", found.lower),
        ("upper_limit", "upper 95 % limit of agreement", found.upper),
    ):
        yield {
            "comparison": pair,
            "n": found.n,
            "statistic": name,
            "description": description,
            **_ends(estimate),
        }


def _ends(estimate: Estimate | Coefficient) -> dict[str, str]:
    return {
        "value": repr(estimate.value),
        "low": repr(estimate.low),
        "high": repr(estimate.high),
    }
