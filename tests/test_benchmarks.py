"""Each part of the benchmarks runs through; how fast it is, is nobody's business here."""

import logging
import math
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.benchmarks.parts import PARTS
from tests.benchmarks.report import BEGIN, END, GUIDE, write_guide
from tests.benchmarks.rows import Row, at_least, at_most
from tests.benchmarks.sizes import TINY
from tests.benchmarks.workshop import Workshop


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    shop = Workshop(tmp_path_factory.mktemp("benchmarks"), TINY)
    yield shop
    shop.close()
    logging.disable(logging.NOTSET)


@pytest.mark.parametrize("part", PARTS)
def test_each_part_runs_through(shop, part):
    # In a thread of its own: the browser's tests leave a loop running in this one, and parts start loops.
    with ThreadPoolExecutor(1) as apart:
        rows = apart.submit(lambda: list(PARTS[part](shop))).result()
    assert rows
    assert len({row.what for row in rows}) == len(rows)
    for row in rows:
        assert math.isfinite(row.figure), row
        assert row.figure > 0, row


def test_a_figure_says_whether_its_target_is_met():
    assert [Row("", figure, "x", at_least(0.75)).verdict for figure in (0.74, 0.75)] == ["missed", "met"]
    assert [Row("", figure, "ms", at_most(40)).verdict for figure in (40, 41)] == ["met", "missed"]
    assert Row("", 1.0, "ms").verdict == ""
    assert Row("", 0.00987, "ms", at_most(1500)).wanted == "≤ 1 500 ms"


def test_a_run_is_written_between_the_guides_markers(tmp_path):
    guide = tmp_path / "guide.md"
    guide.write_text(f"before\n{BEGIN}old\n{END}after\n")
    rows = [Row("a thing", 1.5, "x", at_least(2)), Row("another", 12, "ms")]
    write_guide({"Python": "3"}, {"pooling": rows}, 61.0, guide)
    text = guide.read_text()
    assert text.startswith(f"before\n{BEGIN}")
    assert text.endswith(f"{END}after\n")
    assert "old" not in text
    assert "| a thing | 1.5x | ≥ 2x | missed |  |" in text
    assert "0 of 1 targets met" in text


def test_the_guide_has_the_markers_once_each():
    text = GUIDE.read_text()
    assert text.count(BEGIN) == text.count(END) == 1
    assert text.index(BEGIN) < text.index(END)


def test_the_guide_names_each_figure_once():
    lines = [line for line in GUIDE.read_text().splitlines() if line.startswith("| ") and "---" not in line]
    named = [line.split(" | ")[0] for line in lines if not line.startswith("| what ")]
    assert len(set(named)) == len(named)


def test_the_guide_explains_each_part():
    text = GUIDE.read_text()
    assert [part for part in PARTS if f"\n- `{part}`: " not in text] == []
