import json
from zipfile import ZipFile

import pytest
from typer.testing import CliRunner

from service.cli import app
from service.client_commands import EXIT_CODES
from service.record.database import Database

DOCUMENT = {
    "question": "clearing-a-wash-before-the-strip-run",
    "protocol_version": 1,
    "trials": [
        {
            "method": "triangle",
            "control": "control",
            "treatment": "treatment",
            "assessors": [{"assessor": "p1", "presented": 24, "correct": 14}],
        }
    ],
}


@pytest.fixture
def run():
    runner = CliRunner()
    return lambda *words, **options: runner.invoke(app, [str(word) for word in words], **options)


@pytest.fixture
def document(tmp_path):
    path = tmp_path / "replication.json"
    path.write_text(json.dumps(DOCUMENT))
    return path


@pytest.fixture
def record(tmp_path, monkeypatch):
    url = f"sqlite:///{tmp_path / 'record.db'}"
    monkeypatch.setenv("MANYBATCH_DATABASE_URL", url)
    return url


def test_check_prints_the_report(run, document, demo_server):
    result = run("check", document, "--to", demo_server)
    assert result.exit_code == 0, result.output
    assert "You found the odd glass 14 times in 24" in " ".join(result.output.split())


def test_check_as_json_is_the_report(run, document, demo_server):
    result = run("check", document, "--to", demo_server, "--json")
    assert json.loads(result.stdout)["trials"][0]["correct"] == 14


def test_check_reads_standard_input(run, demo_server):
    result = run("check", "-", "--to", demo_server, "--json", input=json.dumps(DOCUMENT))
    assert result.exit_code == 0


def test_a_refusal_ends_with_1_and_the_place_to_mend(run, document, demo_server):
    faulty = json.loads(document.read_text())
    faulty["trials"][0]["assessors"][0]["correct"] = 25
    document.write_text(json.dumps(faulty))
    result = run("check", document, "--to", demo_server)
    assert result.exit_code == 1
    assert "/trials/0/assessors/0/correct" in result.stderr


@pytest.mark.parametrize("text", ["{", "[]"])
def test_a_file_that_is_no_document_ends_with_1(run, tmp_path, demo_server, text):
    path = tmp_path / "broken.json"
    path.write_text(text)
    assert run("check", path, "--to", demo_server).exit_code == 1


def test_nobody_there_ends_with_1(run, document, monkeypatch):
    monkeypatch.setattr("service.client._TRIES", 1)
    result = run("check", document, "--to", "http://127.0.0.1:9")
    assert result.exit_code == 1
    assert "No answer" in result.stderr


def test_submit_needs_a_token(run, document, demo_server):
    result = run("submit", document, "--to", demo_server)
    assert result.exit_code == 1
    assert "token" in result.stderr


def test_evidence_says_the_answer_first(run, demo_server):
    lines = run("evidence", "feeding-a-mead-in-steps", "--to", demo_server).stdout.splitlines()
    assert "Certainty: " in " ".join(lines)
    assert "average" in " ".join(lines[1:4])


def test_calc_prints_a_table_and_the_reading(run, demo_server):
    words = ("calc", "trial/significance", "method=triangle", "presented=12", "correct=8", "--to", demo_server)
    result = run(*words)
    assert "0.0187584" in result.stdout
    assert "8 times in 12" in " ".join(result.stdout.split())
    assert json.loads(run(*words, "--json").stdout)["result"]["expected_by_chance"] == 4.0


def test_square_brackets_are_only_text(run, document, demo_server):
    document.write_text(json.dumps(DOCUMENT | {"question": "[/no-such]"}))
    result = run("check", document, "--to", demo_server)
    assert result.exit_code == 1
    assert "'^[a-z0-9][a-z0-9_-]{0,63}$'" in " ".join(result.stderr.split())


def test_calc_takes_text_with_a_unit(run, demo_server):
    result = run(
        "calc", "proofing/dilution", "volume_l=1 gal", "abv_percent=70", "target_abv_percent=40", "--to", demo_server
    )
    assert "2.933" in result.stdout


def test_calc_wants_names(run, demo_server):
    assert run("calc", "trial/significance", "triangle", "--to", demo_server).exit_code == 2


def test_a_record_is_migrated_and_given_a_steward(run, record):
    assert "0001" in run("migrate").stdout or "revision" in run("migrate").stdout
    result = run("steward", "add", "Quiet hand")
    assert result.exit_code == 0
    token = result.stdout.strip().splitlines()[-1]
    assert len(token) >= 43
    assert Database(record).schema_revision() == Database.head_revision()


def test_the_demo_is_loaded_into_a_fresh_record_once(run, record):
    first = run("load-demo")
    assert "45 replications" in " ".join(first.stdout.split()), first.output
    assert run("load-demo").exit_code == 0


def test_export_writes_the_package_and_says_so(run, tmp_path, demo_server):
    path = tmp_path / "mead.zip"
    result = run("export", "feeding-a-mead-in-steps", "--to", demo_server, "--into", path)
    assert result.exit_code == 0
    assert f"Wrote {path} (" in result.stdout
    assert "datapackage.json" in ZipFile(path).namelist()
    told = run("export", "feeding-a-mead-in-steps", "--to", demo_server, "--into", path, "--json")
    assert json.loads(told.stdout) == {"file": str(path), "bytes": path.stat().st_size}


def test_export_that_fails_ends_with_1_and_leaves_nothing(run, tmp_path, demo_server):
    assert run("export", "none", "--to", demo_server, "--into", tmp_path / "x.zip").exit_code == 1
    assert run("export", "feeding-a-mead-in-steps", "--to", demo_server, "--into", tmp_path).exit_code == 1
    nowhere = tmp_path / "nowhere" / "x.zip"
    result = run("export", "feeding-a-mead-in-steps", "--to", demo_server, "--into", nowhere)
    assert result.exit_code == 1
    assert "No such file" in " ".join(result.stderr.split())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words", [("evidence", "feeding-a-mead-in-steps"), ("calc", "gravity/scales", "sg=1.050"), ("check", "-")]
)
def test_json_is_all_there_is_on_standard_output(run, demo_server, words):
    result = run(*words, "--to", demo_server, "--json", input=json.dumps(DOCUMENT))
    assert result.exit_code == 0
    assert isinstance(json.loads(result.stdout), dict)


@pytest.mark.parametrize("words", [("nonsense",), ("check",), ("calc", "gravity/scales", "--none"), ("evidence",)])
def test_a_command_mistyped_ends_with_2(run, words):
    assert run(*words).exit_code == 2


@pytest.mark.parametrize("command", ["check", "submit", "evidence", "calc", "export"])
def test_help_says_what_exit_codes_mean(run, command):
    assert EXIT_CODES in " ".join(run(command, "--help").stdout.split())


def completed(run, typed: str) -> list[str]:
    """What a shell is offered for a line typed so far."""
    environment = {"_MANYBATCH_COMPLETE": "complete_bash", "COMP_WORDS": typed, "COMP_CWORD": str(typed.count(" "))}
    return run(env=environment, prog_name="manybatch").stdout.split()


def test_a_shell_completes_commands_options_and_calculators(run):
    assert completed(run, "manybatch ev") == ["evidence"]
    assert "--as-of" in completed(run, "manybatch evidence --as")
    assert completed(run, "manybatch calc trial/sig") == ["trial/significance"]
    assert {"check", "submit", "calc", "export", "serve"} <= set(completed(run, "manybatch "))
