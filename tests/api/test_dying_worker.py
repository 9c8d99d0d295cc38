"""A worker killed at each step of a submission: the record has all of it or nothing; sent again, it is there once."""

import json
import subprocess
import sys
from pathlib import Path

PROJECT = Path(__file__).parents[2]
_BEGINNING = 2  # entries: a question and its protocol


def test_killed_at_any_step_a_submission_is_there_whole_or_not_at_all(database_url):
    run = subprocess.run(
        [sys.executable, "-m", "tests.api.dying_worker", database_url],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert run.returncode == 0, run.stderr[-3000:]
    steps = [json.loads(line) for line in run.stdout.splitlines()]
    assert [each["died"] for each in steps] == [True] * (len(steps) - 1) + [False]
    assert len(steps) > 10
    print(f"killed at {len(steps) - 1} steps; {steps[-1]['after']['replications']} of {len(steps)} found, each once")
    committed = [each["before"]["replications"] == number for number, each in enumerate(steps, start=1)]
    # Nothing is kept before the commit, and everything after it: once, and for good.
    assert committed == sorted(committed)
    assert committed[0] is False
    assert committed[-2:] == [True, True]
    for number, each in enumerate(steps, start=1):
        for held in (each["before"], each["after"]):
            assert held["whole"]
            assert held["size"] == _BEGINNING + held["replications"]
        assert each["after"]["replications"] == number
