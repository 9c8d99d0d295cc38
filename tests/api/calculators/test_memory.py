from service.api.calculators.catalogue import CALCULATORS
from service.api.calculators.memory import Memory


def test_the_oldest_answer_goes_first():
    memory = Memory(2)
    for name in (b"a", b"b", b"c"):
        memory.keep(name, name.upper())
    assert [memory.recall(name) for name in (b"a", b"b", b"c")] == [None, b"B", b"C"]


def test_a_fresh_answer_and_a_remembered_one_are_one(calls):
    for calculator in CALCULATORS:
        if calculator.answers_get:
            path = f"/v1/calculators/{calculator.name}"
            first, second = (calls.post(path, json=calculator.example) for _ in range(2))
            assert first.content == second.content
            inputs = calculator.inputs.model_validate(dict(calculator.example))
            fresh = calculator.result.model_validate(calculator.result_of(inputs))
            assert calculator.result.model_validate(second.json()["result"]) == fresh


def test_a_plan_with_a_seed_drawn_here_is_never_remembered(calls):
    plan = {"method": "two_afc", "presentations": 2, "arms": ["a", "b"]}
    answers = {calls.post("/v1/calculators/tasting/serving-plan", json=plan).content for _ in range(3)}
    assert len(answers) == 3
