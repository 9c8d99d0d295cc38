"""Read the published figures under tests/reference, beside which their sources stand."""

import csv
from pathlib import Path

REFERENCE = Path(__file__).parents[1] / "reference"


def csv_rows(name):
    """Rows of a CSV file as dictionaries of text."""
    with (REFERENCE / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def markdown_rows(name, first_heading):
    """Rows of the table in a Markdown file whose header begins with `first_heading`, as dictionaries of text."""
    lines = (REFERENCE / name).read_text(encoding="utf-8").splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith(f"| {first_heading} |"))
    heads = _cells(lines[start])
    rows = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            break
        rows.append(dict(zip(heads, _cells(line), strict=True)))
    return rows


def _cells(line):
    return [cell.strip() for cell in line.strip().strip("|").split("|")]
