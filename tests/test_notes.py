"""Each setting, problem type, calculator, outcome and flag has its place in the notes, and the notes name no other."""

import re
from pathlib import Path

from service.api.problems import PROBLEMS
from service.evidence.outcomes import MEASURED
from service.intake.flags import FLAGS
from service.settings import Settings
from tests.write_notes import WRITTEN

TOP = Path(__file__).parents[1]
NOTES = TOP / "openapi_notes"


def headings(name: str, level: int = 2) -> list[str]:
    return re.findall(rf"^{'#' * level} `?([^`\n]+)`?$", (NOTES / name).read_text(), re.MULTILINE)


def test_each_problem_type_is_explained():
    assert headings("problems.md") == list(PROBLEMS)


def test_each_setting_is_documented():
    assert headings("settings.md") == [f"MANYBATCH_{name.upper()}" for name in Settings.model_fields]


def test_each_outcome_has_its_heading():
    listed = headings("reading-evidence.md", 3)
    assert set(MEASURED) <= set(listed)
    assert "perceivable_difference" in listed


def test_each_flag_is_listed():
    listed = re.findall(r"^\| `(\w+)` \|", (NOTES / "flags.md").read_text(), re.MULTILINE)
    assert listed == list(FLAGS)


def test_nothing_that_is_served_asks_for_anything_off_host():
    for page in [*NOTES.glob("*.md"), TOP / "README.md", TOP / "DEVELOPERS.md"]:
        for address in re.findall(r"https?://([\w.-]+)", page.read_text()):
            assert address.startswith(("127.0.0.1", "localhost", "creativecommons.org")), f"{page.name}: {address}"


def test_the_written_notes_are_current():
    for name, make in WRITTEN.items():
        assert (NOTES / name).read_text() == make(), f"{name} is stale: run python -m tests.write_notes"
