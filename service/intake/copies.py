"""What two documents must share for one to be a copy of the other."""

from typing import Any

_FREE_TEXT = frozenset({"kitchen", "notes", "plan", "state", "suspected_confounds"})


def distinguishing(stored: dict[str, Any]) -> dict[str, Any]:
    """Return what tells two tries apart: without free text, which anybody can vary, and without where it stands."""
    kept = {key: value for key, value in stored.items() if key not in _FREE_TEXT}
    if "batches" in kept:
        kept["batches"] = [
            {key: value for key, value in batch.items() if key not in _FREE_TEXT} for batch in kept["batches"]
        ]
    return kept
