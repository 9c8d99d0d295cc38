"""Drawings: the same bytes for the same figures, text that stays text, nothing cut and nothing overlapping."""

import struct
import xml.etree.ElementTree as ET
from itertools import pairwise

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from service.evidence.drawing import Caption, Sheet, plain
from service.evidence.drawings import curves_of, draw_forest, draw_path
from service.evidence.forest_rows import forest_of_differences, forest_of_trials
from service.evidence.measured import measured as pool_measured
from service.evidence.path_steps import path_of_differences, path_of_trials
from service.evidence.perceivable import tasted as pool_tasted
from tests.evidence.builders import aiming_at, apart, collected, measured, question, tasted, telling

SVG = "{http://www.w3.org/2000/svg}"
AIM = [aiming_at("final_sg", 0.002)]
LONG = "Does feeding a mead in steps, four of them over the first week, finish it & make it <b>dry</b> for $5^2$?"


def trials(rows, **given):
    made = collected(rows, **given)
    return forest_of_trials(made, pool_tasted(made))


def differences(rows, outcome="final_sg", protocols=AIM, **given):
    made = collected(rows, protocols=protocols, **given)
    return forest_of_differences(made, pool_measured(made, outcome))


def texts(svg: bytes) -> list[str]:
    return [each.text or "" for each in ET.fromstring(svg).iter(f"{SVG}text")]  # noqa: S314  our own bytes


def size_of(png: bytes) -> tuple[int, int]:
    return struct.unpack(">II", png[16:24])


@pytest.fixture
def figures(monkeypatch):
    """Every figure that is drawn, laid out as a PNG."""
    seen: list[Figure] = []
    kept = Sheet.bytes_as

    def keep(self, kind):
        seen.append(self.figure)
        return kept(self, kind)

    monkeypatch.setattr(Sheet, "bytes_as", keep)
    return seen


def boxes(figure: Figure):
    """Where each text lies, in pixels."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    shown = list(figure.texts)
    for axes in (each for each in figure.axes if each.axison):
        shown += [*axes.texts, axes.xaxis.label, axes.yaxis.label]
        # Ticks beyond the view have labels too, which are never drawn.
        shown += [tick.label1 for axis in (axes.xaxis, axes.yaxis) for tick in axis._update_ticks()]
    return [(text.get_text(), text.get_window_extent(renderer)) for text in shown if text.get_text().strip()]


def refuse_overlap_and_cuts(figure: Figure) -> None:
    width, height = figure.get_size_inches() * figure.dpi
    found = boxes(figure)
    for text, box in found:
        assert box.x0 >= -0.5, text
        assert box.x1 <= width + 0.5, text
        assert box.y0 >= -0.5, text
        assert box.y1 <= height + 0.5, text
    for place, (text, box) in enumerate(found):
        for other, beside in found[place + 1 :]:
            across = min(box.x1, beside.x1) - max(box.x0, beside.x0)
            along = min(box.y1, beside.y1) - max(box.y0, beside.y0)
            assert across <= 0.5 or along <= 1.5, f"{text!r} runs into {other!r}"


PICTURES = {
    "nothing": lambda: trials([]),
    "one": lambda: trials([tasted(1, 8)]),
    "two": lambda: trials(telling(2)),
    "fourteen": lambda: trials(telling(14), question=question(title=LONG)),
    "sixty": lambda: trials([tasted(each, 100 + each, 200, replication=each) for each in range(1, 61)]),
    "repeats": lambda: trials([tasted(100 + each % 3, 4 + each % 8, replication=each) for each in range(30)]),
    "methods": lambda: trials(
        [tasted(each, 6 + each % 7, method=("triangle", "tetrad")[each % 2]) for each in range(1, 9)]
    ),
    "perfect": lambda: trials([tasted(each, 12, method=("triangle", "tetrad")[each % 2]) for each in range(1, 4)]),
    "differences": lambda: differences(apart(14)),
    "far": lambda: differences([*apart(8), measured(9, 0.31, variance=None)]),
    "same": lambda: differences([measured(each, 0.0) for each in range(1, 5)]),
    "no differences": lambda: differences([]),
    "ratios": lambda: differences(
        [measured(each, -0.3 + 0.05 * each, "days_to_finish", control_value=20.0) for each in range(1, 12)],
        "days_to_finish",
        [aiming_at("days_to_finish", 2.0)],
    ),
    "long name": lambda: differences(
        [measured(1, 12345.678, "a_" + "very_" * 12 + "long_name")], "a_" + "very_" * 12 + "long_name"
    ),
}


@pytest.mark.parametrize("name", PICTURES)
def test_nothing_in_a_forest_overlaps_or_is_cut(name, figures):
    draw_forest(PICTURES[name](), "svg")
    refuse_overlap_and_cuts(figures[0])


@pytest.mark.parametrize("count", [0, 1, 2, 14, 60])
def test_nothing_in_a_path_overlaps_or_is_cut(count, figures):
    rows = [tasted(each, 12 - each % 3) for each in range(1, count + 1)]
    draw_path(path_of_trials(collected(rows)), "svg")
    draw_path(path_of_differences(collected(apart(count), protocols=AIM), "final_sg", 0.002), "svg")
    for figure in figures:
        refuse_overlap_and_cuts(figure)


BATCHES = [
    {"arm": "treatment", "batch": "a jar with a name that is as long as a label may be, and goes on and on to its end"},
    {"arm": "control", "batch": "bucket 1"},
    {"arm": "fined", "batch": "bucket 2"},
]


def document(readings=20, **changes):
    curve = [{"at_h": 12.0 * step, "sg": 1.0 + 0.08 * float(np.exp(-step / 5))} for step in range(readings)]
    return {"batches": [{**batch, "readings": curve, **changes} for batch in BATCHES]}


@pytest.mark.parametrize("readings", [0, 1, 5, 400])
def test_nothing_in_curves_overlaps_or_is_cut(readings, figures):
    curves_of(question(title=LONG), document(readings), "svg")
    refuse_overlap_and_cuts(figures[0])


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_the_same_figures_give_the_same_bytes(kind):
    one, other = (draw_forest(trials(telling(5)), kind) for _ in range(2))
    assert one == other
    assert b"matplotlib" not in one.lower() or kind == "svg"
    path = path_of_trials(collected(telling(5)))
    assert draw_path(path, kind) == draw_path(path, kind)
    assert curves_of(question(), document(), kind) == curves_of(question(), document(), kind)


def test_an_svg_says_in_words_what_it_shows_and_names_nothing_off_host():
    svg = draw_forest(trials(telling(3), question=question(title=LONG)), "svg")
    root = ET.fromstring(svg)  # noqa: S314  our own bytes
    assert root.get("role") == "img"
    assert root[0].tag == f"{SVG}title"
    assert root[0].text == LONG
    assert root[1].tag == f"{SVG}desc"
    assert "Three households." in root[1].text
    assert "Dashed line: guessing." in root[1].text
    assert b"DOCTYPE" not in svg
    assert b"<script" not in svg
    assert b"date" not in svg.lower()
    said = texts(svg)
    assert "Household 2" in said
    assert "10/12" in said
    assert any("<b>dry</b>" in each for each in said)


def test_letters_that_cannot_be_drawn_stand_in_the_description_all_the_same():
    title = "Is 蜂蜜 better?\x07"
    svg = draw_forest(trials(telling(3), question=question(title=title)), "svg").decode()
    assert "<title>Is 蜂蜜 better? </title>" in svg
    assert plain(title) == "Is □□ better? "


def test_a_png_is_as_wide_as_a_page_and_as_high_as_its_studies():
    short, tall = (size_of(draw_forest(trials(telling(count)), "png")) for count in (2, 12))
    assert short[0] == tall[0] == 900
    assert tall[1] - short[1] == pytest.approx(10 * 0.25 * 150, abs=60)


def test_what_was_promised_is_filled_and_weight_goes_with_the_sets():
    rows = [tasted(1, 8, sealed=True), tasted(2, 8, registered=True), tasted(3, 16, 24)]
    studies = trials(rows).studies
    assert [study.promised for study in studies] == [True, True, False]
    assert [study.weight for study in studies] == [12.0, 12.0, 24.0]
    assert [study.count for study in studies] == ["8/12", "8/12", "16/24"]


def test_households_are_numbered_and_share_their_weight():
    rows = [measured(7, -0.001, replication=1), measured(7, -0.002, replication=2), measured(3, 0.001)]
    studies = differences(rows).studies
    assert [study.name for study in studies] == ["Household 1", "Household 1 (2)", "Household 2"]
    assert [study.weight for study in studies] == [0.5, 0.5, 1.0]


def test_a_forest_of_differences_shows_reading_the_mean_and_the_next_household():
    forest = differences(apart(10, registered=True))
    assert forest.studies[0].high - forest.studies[0].low == pytest.approx(2 * 1.959964 * np.sqrt(2e-6))
    assert forest.marks == [-0.002, 0.002]
    assert forest.mean.low < forest.mean.estimate < forest.mean.high
    assert forest.any_time.low < forest.mean.low
    assert forest.next_household.low < forest.any_time.low
    assert differences(apart(3)).next_household is None


def test_two_hundred_studies_are_drawn_and_the_rest_is_told():
    forest = differences([measured(each, 0.001 * (each % 7)) for each in range(1, 206)])
    assert len(forest.studies) == 200
    assert "The first 200 of 205 studies are drawn; all are in the mean." in forest.caption.lines


def test_the_path_of_evidence_is_that_of_the_answer():
    rows = telling(6)
    path = path_of_trials(collected(rows))
    assert path.middle == pytest.approx(pool_tasted(collected(rows)).log_path)
    assert path.marks == [20.0]


def test_evidence_beyond_what_a_double_holds_is_drawn():
    path = path_of_trials(collected(telling(400, correct=11)))
    assert path.middle[-1] > np.log(np.finfo(np.float64).max)
    assert "10⁴⁰⁰" in texts(draw_path(path, "svg"))


def test_the_path_of_a_mean_ends_at_the_answer_s_interval():
    made = collected([*apart(8), measured(1, -0.010, replication=50)], protocols=AIM)
    path = path_of_differences(made, "final_sg", 0.002)
    block = pool_measured(made, "final_sg").block
    assert path.middle[-1] == pytest.approx(block.estimate)
    assert (path.low[-1], path.high[-1]) == pytest.approx((block.any_time.low, block.any_time.high))
    assert path.low[:4] == [None] * 4
    assert len(path.middle) == 9


def test_a_long_path_is_drawn_after_some_studies_and_the_last():
    rows = [tasted(each, 6 + each % 3) for each in range(1, 702)]
    path, log_path = path_of_trials(collected(rows)), pool_tasted(collected(rows)).log_path
    assert (len(path.steps), path.steps[0], path.steps[-1]) == (500, 1, 701)
    assert path.middle == pytest.approx([log_path[step - 1] for step in path.steps])
    assert "500 of 701 studies are drawn, evenly apart." in path.caption.lines[1]
    spans = np.diff(path.steps)
    assert set(spans.tolist()) == {1, 2}
    long = path_of_differences(
        collected([measured(each, 0.001 * (each % 7)) for each in range(1, 702)]), "final_sg", None
    )
    assert (len(long.middle), len(long.low), long.steps[-1]) == (500, 500, 701)
    assert "500 of 701" in long.caption.lines[1]
    assert path_of_trials(collected(rows[:500])).steps == list(range(1, 501))


def test_curves_take_the_control_first_and_join_only_what_was_read(figures):
    ends = {"original_sg": 1.07, "final_sg": 1.0, "days_to_finish": 9}
    svg = curves_of(question(), document(0, **ends), "svg")
    said = texts(svg)
    keys = [each for each in said if ": " in each and not each.startswith("Gravity as")]
    assert keys[0] == "Left cloudy: bucket 1"
    assert "days since pitching" in said
    lines = [line for line in figures[0].axes[0].get_lines() if len(line.get_xdata()) == 2]
    assert [line.get_linestyle() for line in lines] == ["None"] * 3
    assert [line.get_xdata()[1] for line in lines] == [9.0] * 3


def test_readings_are_drawn_in_order_of_time():
    shuffled = {
        "batches": [{"arm": "control", "batch": "b", "readings": [{"at_h": 48, "sg": 1.01}, {"at_h": 0, "sg": 1.08}]}]
    }
    ordered = {
        "batches": [{"arm": "control", "batch": "b", "readings": [{"at_h": 0, "sg": 1.08}, {"at_h": 48, "sg": 1.01}]}]
    }
    assert curves_of(question(), shuffled, "svg") == curves_of(question(), ordered, "svg")


def test_a_replication_without_gravities_says_so():
    assert "no gravities were reported" in texts(curves_of(question(), {}, "svg"))


def test_captions_break_into_lines_that_fit():
    caption = Caption("x" * 200, ["word " * 60])
    assert all(len(line) <= 54 for line in caption.title_lines)
    assert all(len(line) <= 78 for line in caption.caption_lines)
    assert all(earlier for earlier, _ in pairwise(caption.caption_lines))
