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
            low, high = found.intervals.get(factor, (None, None))
            yield common | {
                "statistic": f"variance_{factor.replace(' ', '_')}",
                "description": f"component of variance: {factor}",
                "n": found.levels.get(factor, found.n),
                "value": variance,
                "low": low,
                "high": high,
            }


_ERRORS = {
    "sem_consistency": "standard error of measurement, consistency",
    "sem_agreement": "standard error of measurement, agreement",
    "mdc95_consistency": "minimal detectable change, consistency",
    "mdc95_agreement": "minimal detectable change, agreement",
    "within_sd": "within-film standard deviation, one-way",
    "repeatability": "repeatability coefficient",
}
_LIMITS = {
    "bias": ("bias", "mean difference"),
    "lower": ("lower_limit", "lower 95 % limit of agreement"),
    "upper": ("upper_limit", "upper 95 % limit of agreement"),
}


def _statistics(label: str, found: Reliability | str) -> Iterator[dict[str, object]]:
    if isinstance(found, str):
        yield {"comparison": label, "statistic": "reliability", "absent_because": found}
        return
    for coefficient in found.coefficients:
        yield _told(label, found.n, coefficient.name, coefficient.full_name, coefficient)
    for name, description in _ERRORS.items():
        yield _told(label, found.n, name, description, getattr(found, name))


def _limits_statistics(pair: str, found: Limits | str) -> Iterator[dict[str, object]]:
    if isinstance(found, str):
        yield {"comparison": pair, "statistic": "limits", "absent_because": found}
        return
    for key, (name, description) in _LIMITS.items():
        yield _told(pair, found.n, name, description, getattr(found, key))


def _told(
    label: str, n: int, name: str, description: str, found: Estimate | Coefficient
) -> dict[str, object]:
    return {
        "comparison": label,
        "n": n,
        "statistic": name,
        "description": description,
        **{end: getattr(found, end) for end in ("value", "low", "high")},
    }
