"""Every statistic on agreement as a table for a spreadsheet, one a line."""

from __future__ import annotations

from collections.abc import Iterator

from xraymeasure.about import CAUTION
from xraymeasure.files.tables import csv_text
from xraymeasure.series.agreement.reliability import POSITIONING, AgreementReport
from xraymeasure.series.agreement.statistics import Coefficient, Estimate, Limits, Reliability
from xraymeasure.vocabulary.quantities import QUANTITIES

_CSV_COLUMNS = (
    "measurement", "method", "primary", "unit", "comparison", "statistic", "description", "n",
    "value", "low", "high", "absent_because", "caution",
)  # fmt: skip


def agreement_csv(report: AgreementReport) -> str:
    """Return every statistic of every measurement and method, one a line."""
    return csv_text(_CSV_COLUMNS, _rows(report))


def _rows(report: AgreementReport) -> Iterator[dict[str, object]]:
    for entry in report.measurements:
        common: dict[str, object] = {
            "measurement": entry.name,
            "method": entry.method,
            "primary": "true" if entry.primary else "false",
            "unit": QUANTITIES[entry.name].unit,
            "caution": CAUTION,
        }
        for comparison in entry.comparisons:
            for statistic in _statistics(comparison.label, comparison.reliability):
                # How the patient lay is no trait of which films could be told apart.
                if entry.name not in POSITIONING or not str(statistic["statistic"]).startswith(
                    "ICC"
                ):
                    yield common | statistic
            for pair, limits in comparison.limits:
                for statistic in _limits_statistics(pair, limits):
                    yield common | statistic

    for name, found in report.components.items():
        common = {
            "measurement": name,
            "unit": QUANTITIES[name].unit,
            "comparison": "all readings",
            "caution": CAUTION,
        }
        if isinstance(found, str):
            yield common | {"statistic": "variance", "absent_because": found}
            continue
        for factor, variance in (*found.variances.items(), ("residual", found.residual)):
            ends = found.intervals.get(factor)
            yield common | {
                "statistic": f"variance_{factor.replace(' ', '_')}",
                "description": f"component of variance: {factor}",
                "n": found.levels.get(factor, found.n),
                "value": repr(variance),
                "low": repr(ends[0]) if ends else "",
                "high": repr(ends[1]) if ends else "",
            }


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
    for name, description, estimate in (
        ("sem_consistency", "standard error of measurement, consistency", found.sem_consistency),
        ("sem_agreement", "standard error of measurement, agreement", found.sem_agreement),
        ("mdc95_consistency", "minimal detectable change, consistency", found.mdc95_consistency),
        ("mdc95_agreement", "minimal detectable change, agreement", found.mdc95_agreement),
        ("within_sd", "within-film standard deviation, one-way", found.within_sd),
        ("repeatability", "repeatability coefficient", found.repeatability),
    ):
        yield common | {"statistic": name, "description": description, **_ends(estimate)}


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
    return {"value": repr(estimate.value), "low": repr(estimate.low), "high": repr(estimate.high)}
