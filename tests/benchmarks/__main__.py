"""`python -m benchmarks [PARTS]`, from the `tests` folder."""

from tests.benchmarks.command import main

main()
