"""Published figures of discrimination trials, read as they stand."""

import csv
import json
from fractions import Fraction
from pathlib import Path

FOLDER = Path(__file__).parents[1] / "reference" / "discrimination"

METHOD_OF = {"triangle": "triangle", "duo_trio": "duo_trio", "2AFC": "two_afc", "3AFC": "three_afc", "tetrad": "tetrad"}

# A table for one guess rate serves every method that has it; one stands for all where only the count matters.
METHOD_FOR_GUESS = {"1/3": "triangle", "1/2": "duo_trio"}


def rows(name):
    with (FOLDER / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def guess(text):
    return float(Fraction(text))


def published_counts(row):
    """Counts printed for one cell, by one source or several; None where the table prints a dash."""
    return [None if printed == "none" else int(printed) for printed in row["published_value"].split(";")]


def design_checks():
    """Serving orders, codes and allocations, enumerated."""
    return json.loads((FOLDER / "design_checks.json").read_text(encoding="utf-8"))
