"""Writes the parts of the notes that are lists of what the software knows: `python -m tests.write_notes`."""

from pathlib import Path

from service.api.problems import PROBLEMS
from service.intake.flags import FLAGS
from service.settings import Settings

NOTES = Path(__file__).parents[1] / "openapi_notes"


def problems() -> str:
    lines = [
        "# Problem types",
        "",
        "Every refusal is a problem document (RFC 9457): `type` is one of the addresses below, `detail` says what to",
        "do, and for bad input `errors` lists each fault with a pointer to its place.",
    ]
    for kind in PROBLEMS.values():
        lines += ["", f"## `{kind.slug}`", "", f"`{kind.path}`, HTTP {kind.status}: {kind.title}. {kind.explanation}"]
    return "\n".join(lines) + "\n"


def settings() -> str:
    lines = ["# Settings", "", "Environment variables; each has a default that serves one kitchen."]
    for name, field in Settings.model_fields.items():
        default = field.get_default(call_default_factory=True)
        said = f"Default `{default}`." if default not in (None, "", []) else "Unset by default."
        lines += ["", f"## `MANYBATCH_{name.upper()}`", "", f"{field.description} {said}"]
    return "\n".join(lines) + "\n"


def flags() -> str:
    lines = [
        "# Flags",
        "",
        "What a replication's report and its place in the evidence may be marked with. A flag is not a refusal.",
        "",
        "| flag | group | meaning |",
        "| --- | --- | --- |",
    ]
    lines += [f"| `{flag.name}` | {flag.group} | {flag.explanation} |" for flag in FLAGS.values()]
    return "\n".join(lines) + "\n"


WRITTEN = {"problems.md": problems, "settings.md": settings, "flags.md": flags}

if __name__ == "__main__":
    for name, make in WRITTEN.items():
        (NOTES / name).write_text(make())
