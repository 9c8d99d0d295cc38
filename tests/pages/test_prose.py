import pytest

from service.api.problems import Fault
from service.intake.documents import Revision
from service.pages.forms import Form
from service.pages.prose import prose
from service.pages.typed import typed_of


@pytest.mark.parametrize(
    ("text", "set_"),
    [
        ("fewer than once in 1 000 000 000", "fewer than once in 1\u00a0000\u00a0000\u00a0000"),
        ("right 124 times in 192", "right 124 times in 192"),
        ("table 2 100", "table 2\u00a0100"),
        ("4 degC off from 28 degC", "4\u00a0°C off from 28\u00a0°C"),
        ("ph_end is missing", "pH at the end is missing"),
        ("spirit.tasting_abv_percent is missing", "Tasting strength is missing"),
        ("spirit.fractions is missing", "Fractions is missing"),
        ("perceivable_difference carries the claim", "perceivable difference carries the claim"),
        ("jar_1 and my_own_words stay", "jar_1 and my_own_words stay"),
        ("it isn't the tasters' own", "it isn’t the tasters’ own"),
        ("from -0.008 to +0.002 (-3)", "from −0.008 to +0.002 (−3)"),
        ("2026-05-16, 2-AFC and 1995-6", "2026-05-16, 2-AFC and 1995-6"),
    ],
)
def test_a_sentence_is_set_as_people_write(text, set_):
    assert prose(text) == set_


def test_a_fault_names_its_place_and_its_limit_as_people_do():
    form = Form.over(Revision, {"batches.1.final_sg": "1.9", "trials.0.assessors.0.correct": "13"})
    for name in ("batches.0.final_sg", "trials.0.assessors.0.correct"):
        form.field(name)
    form.refuse(
        [
            Fault(pointer="/batches/0/final_sg", detail="input should be less than or equal to 1.3"),
            Fault(pointer="/trials/0/assessors/0/correct", detail="more correct answers than sets presented"),
        ]
    )
    assert [(label, fault) for _, label, fault in form.beside] == [
        ("Vessel 1: final gravity", "should be at most 1.3"),
        ("Trial 1, taster 1: right", "more correct answers than sets presented"),
    ]


@pytest.mark.parametrize(("sg", "typed"), [(1.1, "1.100"), (0.998, "0.998"), (1.0645, "1.0645"), (1, "1")])
def test_a_gravity_is_typed_with_its_places(sg, typed):
    assert typed_of({"final_sg": sg}) == {"final_sg": typed}
