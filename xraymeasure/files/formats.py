"""Versioned text files: to a valid record, or to one line that says what is wrong and where."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from pydantic import TypeAdapter, ValidationError

from xraymeasure.errors import XrayMeasureError, meant

Record = TypeVar("Record")

# What pydantic calls the forms of a value that may be given in two ways.
_FORM = re.compile(r"PerSide$|^constrained-|^literal\[|^dict\[|^list\[|^float$|\]$")

_MOST_TOML = 500_000
_LONG_KEY = re.compile(r"""(?:(?:"[^"\n]*"|'[^'\n]*'|[\w-]+)[ \t]*\.[ \t]*){20}""")


@dataclass(frozen=True)
class Form(Generic[Record]):
    """What a kind of file is like.

    Attributes
    ----------
    format : str
        Its value of ``format``.
    version : int
        The newest that this program knows.
    noun : str
        What such a file is, with its article.
    record : type
        The pydantic model or dataclass of its content, which refuses unknown keys.
    error : type
        What to raise.
    shape : callable, optional
        From the file's table to the fields of `record`; it may raise `error`.
    """

    format: str
    version: int
    noun: str
    record: type[Record]
    error: type[XrayMeasureError]
    shape: Callable[[dict[str, Any]], dict[str, Any]] | None = None


_ADAPTERS: dict[type, TypeAdapter[Any]] = {}


def adapter(record: type[Record]) -> TypeAdapter[Record]:
    """Return what reads and writes a record, made once: that takes longer than to use it."""
    if record not in _ADAPTERS:
        _ADAPTERS[record] = TypeAdapter(record)
    return _ADAPTERS[record]


def parse_json(text: str, where: str, form: Form[Record]) -> Record:
    """Return the record that JSON `text` holds; `where` is what messages call it."""
    try:
        table = json.loads(text, object_pairs_hook=_no_twins)
    except json.JSONDecodeError as error:
        raise form.error(
            f"{where}: is not {form.noun}, or is damaged: broken JSON at line {error.lineno}, "
            f"column {error.colno} ({error.msg})"
        ) from None
    except RecursionError:
        raise form.error(f"{where}: is nested too deeply to be {form.noun}") from None
    except _Twin as twin:
        raise form.error(f"{where}: {twin}: stands twice in the file; keep one") from None
    except ValueError:
        # The above are ValueErrors too; what is left is Python's limit on digits.
        raise form.error(f"{where}: holds a number that is too large") from None
    return _validated(table, where, form)


def parse_toml(text: str, where: str, form: Form[Record]) -> Record:
    """Return the record that TOML `text` holds; `where` is what messages call it."""
    return _validated(load_toml(text, where, form.noun, form.error), where, form)


def load_toml(
    text: str, where: str, noun: str, error_type: type[XrayMeasureError]
) -> dict[str, Any]:
    """Return the table that TOML `text` holds."""
    # Python's parser takes minutes for keys of many parts.
    if len(text) > _MOST_TOML or _LONG_KEY.search(text):
        raise error_type(f"{where}: is too long, or a key in it is, to be {noun}")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise error_type(f"{where}: is not {noun}, or is damaged: broken TOML: {error}") from None
    except RecursionError:
        raise error_type(f"{where}: is nested too deeply to be {noun}") from None
    except ValueError:
        raise error_type(f"{where}: holds a number that is too large") from None


class _Twin(ValueError):
    """A key that stands twice."""


def _no_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    record: dict[str, Any] = {}
    for key, value in pairs:
        if key in record:
            raise _Twin(key)
        record[key] = value
    return record


def _validated(table: Any, where: str, form: Form[Record]) -> Record:
    if not isinstance(table, Mapping) or table.get("format") != form.format:
        raise form.error(f'{where}: is not {form.noun} (its "format" should be "{form.format}")')
    version = table.get("version")
    if isinstance(version, int) and version > form.version:
        raise form.error(
            f"{where}: was written in version {version} of the format and this program knows "
            f"{form.version}; update xraymeasure"
        )
    try:
        if form.shape is None:
            return adapter(form.record).validate_python(table)
        if version is not form.version:
            fault = "is missing" if version is None else f"should be {form.version}"
            raise form.error(f"version: {fault}")
        content = {key: each for key, each in table.items() if key not in ("format", "version")}
        # From text again: a list of JSON stands for a tuple, which strictness else refuses.
        return adapter(form.record).validate_json(json.dumps(form.shape(content)))
    except ValidationError as error:
        known = getattr(form.record, "__dataclass_fields__", ())
        raise form.error(f"{where}: {describe_faults(error, known)}") from None
    except form.error as error:
        raise form.error(f"{where}: {error}") from None


def describe_faults(error: ValidationError, known: Iterable[str] = ()) -> str:
    """Return what pydantic found wrong as ``key: reason; key: reason``.

    Of an unknown key the one of the `known` that is near is named.
    """
    faults: dict[str, tuple[int, str]] = {}
    for fault in error.errors():
        # A value that may have two forms is reported once for each; the names of the forms are
        # no keys of the file, and the form that got further is the one that was meant.
        parts = [str(part) for part in fault["loc"]]
        keys = parts[:1] + [part for part in parts[1:] if not _FORM.search(part)]
        kind = "extra_forbidden" if parts[-1:] == ["[key]"] else fault["type"]
        message = {
            "extra_forbidden": "unknown key; it would be lost, remove it",
            "missing": "is missing",
            "unexpected_keyword_argument": "unknown key; it would be lost, remove it",
        }.get(kind, fault["msg"].removeprefix("Value error, "))
        if message.startswith("unknown key") and len(keys) == 1:
            message += meant(keys[0], known)
        top, depth = ".".join(keys[:1]), len(keys)
        if depth > faults.get(top, (-1, ""))[0]:
            faults[top] = depth, ": ".join(part for part in (".".join(keys), message) if part)
    return "; ".join(text for _, text in faults.values())
