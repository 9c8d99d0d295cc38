"""Every request that a guide shows is sent as it stands to a live demo server, and held against the answer shown."""

import json
import math
import re
import shlex
from pathlib import Path

import httpx
import pytest

NOTES = Path(__file__).parents[1] / "openapi_notes"
GUIDES = sorted(path.name for path in NOTES.glob("*.md") if "```sh" in path.read_text())
_BLOCK = re.compile(
    r"(?P<keeps>(?:<!-- keep \w+ = [\w.]+ -->\n)*)"
    r"```sh\n(?P<sh>.*?)```\n"
    r"(?:```(?P<kind>json|text)\n(?P<shown>.*?)```)?",
    re.DOTALL,
)
ANY = "…"


def requests_of(guide: str):
    return list(_BLOCK.finditer((NOTES / guide).read_text()))


def as_request(command: str, variables: dict[str, str]) -> dict:
    """Read a curl command as its shell would."""
    for name, value in variables.items():
        command = command.replace(f"${name}", value)
    words = iter(shlex.split(command.replace("\\\n", " ")))
    assert next(words) == "curl"
    request: dict = {"method": "GET", "headers": {}}
    for word in words:
        match word:
            case "-s":
                continue
            case "-X":
                request["method"] = next(words)
            case "-H":
                name, _, value = next(words).partition(": ")
                request["headers"][name] = value
            case "-d":
                request["content"] = next(words).encode()
            case _:
                assert word.startswith("http"), f"a guide's curl takes no {word}"
                request["url"] = word
    return request


def differences(shown, real, where="answer"):
    """Whatever of the shown answer isn't in the real one; `…` matches anything."""
    if shown == ANY:
        return []
    if isinstance(shown, float) and isinstance(real, float) and math.isclose(shown, real, rel_tol=1e-9):
        return []
    if isinstance(shown, dict) and isinstance(real, dict):
        return [
            fault
            for key, value in shown.items()
            for fault in (
                differences(value, real[key], f"{where}.{key}") if key in real else [f"{where}.{key} is missing"]
            )
        ]
    if isinstance(shown, list) and isinstance(real, list) and len(shown) == len(real):
        pairs = enumerate(zip(shown, real, strict=True))
        return [fault for index, (one, other) in pairs for fault in differences(one, other, f"{where}[{index}]")]
    return [] if shown == real else [f"{where}: the guide shows {shown!r}, the server says {real!r}"]


@pytest.mark.parametrize("guide", GUIDES)
def test_every_request_of_a_guide_does_what_the_guide_says(guide, demo_server):
    variables = {"MANYBATCH": demo_server}
    blocks = requests_of(guide)
    assert blocks
    with httpx.Client(timeout=30) as client:
        for block in blocks:
            response = client.request(**as_request(block["sh"].strip(), variables))
            if block["kind"] == "text":
                assert response.text.replace("\r\n", "\n").strip() == block["shown"].strip()
            elif block["kind"] == "json":
                shown = json.loads(re.sub(r"(?<=[:\[,]) ?…(?=[,\]}])", ' "…"', block["shown"]))
                faults = differences(shown, response.json())
                assert not faults, f"{block['sh']}\n{faults}"
            else:
                assert response.is_success
            for name, path in re.findall(r"keep (\w+) = ([\w.]+)", block["keeps"]):
                value = response.json()
                for step in path.split("."):
                    value = value[int(step)] if isinstance(value, list) else value[step]
                variables[name] = value


def test_a_wrong_answer_would_be_noticed():
    assert differences({"a": [1, {"b": "…"}]}, {"a": [1, {"b": 5}], "c": 2}) == []
    assert differences({"a": 1}, {"a": 2})
    assert differences({"a": 1}, {})
    assert differences([1], [1, 2])
