"""How fast the service is, as ratios in one run: `python -m benchmarks`, from the `tests` folder."""

import sys
from pathlib import Path

PROJECT = Path(__file__).parents[2]
if str(PROJECT) not in sys.path:
    sys.path.insert(0, str(PROJECT))
