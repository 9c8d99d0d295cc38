"""What a server loads before it answers, and what it leaves for those few who ask for it."""

import subprocess
import sys
from pathlib import Path

TOP = Path(__file__).parents[1]
# Each takes from a tenth of a second to a whole one.
LATER = {"matplotlib", "pint", "scipy.stats", "seed_demo.load", "httpx"}


def test_what_is_slow_to_load_waits_until_it_is_needed():
    program = "import sys, service.serving; service.serving.application(); print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-c", program],
        cwd=TOP,
        env={"MANYBATCH_DATABASE_URL": "sqlite:///no-such-folder/record.db"},
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    assert "service.app" in loaded
    assert LATER & set(loaded) == set()
