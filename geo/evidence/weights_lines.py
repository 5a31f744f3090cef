"""The weights in force in lines of text: every number a practice may change, with where it comes from."""

from __future__ import annotations

from collections.abc import Iterator

from geo.weights import Weights


def weights_lines(weights: Weights) -> Iterator[str]:
    """Yield points, groups, caps, bounds of words and tests, named as a file may change them."""
    source, status = weights.basis["points"]
    yield f"# points: {status}: {source}"
    for cause in weights.causes:
        yield f"[points.{cause.key}]  # {cause.kind}: {cause.name}"
        row = weights.points[weights.row_of[cause.key]]
        named = (
            f"{_key(code.key)} = {row[column]:g}" for column, code in enumerate(weights.codes) if row[column]
        )
        yield f"    {', '.join(named)}"
    for variant in weights.variants:
        row, base = (weights.points[weights.row_of[key]] for key in (variant.key, variant.of))
        named = (
            f"{_key(code.key)} = {row[column]:g}"
            for column, code in enumerate(weights.codes)
            if row[column] != base[column]
        )
        yield f"[variant.{variant.key}.points]  # {variant.when}: {', '.join(variant.words)}"
        yield f"    {', '.join(named)}"
    source, status = weights.basis["groups"]
    yield f"# groups: {status}: {source}"
    for code in weights.codes:
        yield f'[code.{_key(code.key)}] group = "{code.group}"  # {code.label}'
    for number in weights.numbers.values():
        changed = f" (changed by {number.changed_by})" if number.changed_by else ""
        yield f"{number.key} = {number.value:g} {number.unit}{changed}"
        yield f"    {number.status}: {number.source}"
    source, status = weights.basis["tests"]
    yield f"# tests: {status}: {source}"
    for test in weights.tests.values():
        opens = ", opens up" if test.intrusive else ""
        yield (
            f"[test.{test.key}] sensitivity = {test.sensitivity:g}, specificity = {test.specificity:g},"
            f" minutes = {test.minutes:g}{opens}  # {', '.join(test.splits)}"
        )


def _key(code: str) -> str:
    return code if code.isalnum() else f'"{code}"'
