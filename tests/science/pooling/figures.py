"""Published and independently computed figures of pooling, read from tests/reference/pooling."""

import csv
import json
from fractions import Fraction
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parents[2] / "reference" / "pooling"


@cache
def load(name):
    return json.loads((FOLDER / name).read_text(encoding="utf-8"))


@cache
def columns(name):
    """Read a data set; numbers as floats."""
    with (FOLDER / name).open(encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    return {key: [_number(row[key]) for row in table] for key in table[0]}


def _number(text):
    try:
        return float(text)
    except ValueError:
        return text or None


def guess_of(case):
    return float(Fraction(case["guess"]))
