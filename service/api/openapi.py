"""The OpenAPI text as served: the framework's own, with our refusals in place of its."""

from typing import TYPE_CHECKING, Any

from fastapi.openapi.utils import get_openapi

from service.api.problems import MEDIA_TYPE, PROBLEMS, ProblemDocument

if TYPE_CHECKING:
    from fastapi import FastAPI

_EVERY = ("malformed-request", "not-acceptable", "internal-error", "unavailable")
_WITH_BODY = ("malformed-json", "body-too-large", "not-json", "invalid-input")
_WITH_INPUT = ("invalid-input",)
_WITH_PATH = ("not-found",)
_SIGNED_IN = ("not-signed-in",)
_WRITES = ("not-yours", "conflict")
_EDITS = ("stale-revision", "if-match-needed")
_OF_OPERATION = {
    "submit_replication": ("trial-open", "no-sealing-key"),
    "open_trial": ("no-sealing-key",),
    "read_trial": ("gone", "no-sealing-key"),
    "close_trial": ("no-sealing-key",),
    "close_trial_as_helper": ("no-sealing-key",),
    "read_pour_sheet": ("no-sealing-key",),
    "read_turn": ("no-sealing-key",),
    "answer_set": ("trial-ended", "out-of-turn", "answer-is-final", "code-not-served", "no-sealing-key"),
}

DESCRIPTION = """
People who ferment at home, and distil where it is lawful, find out together whether a claim about their craft is true:
blind comparisons of a control and one change, submitted under a shared protocol, kept for ever and pooled.

Calculators need no account. Distilling at home is unlawful in many places: follow local law, licences and fire codes.
"""


def openapi_text(app: "FastAPI") -> dict[str, Any]:
    """Make the text once, and document each refusal that an operation can answer with."""
    if app.openapi_schema:
        return app.openapi_schema
    text = get_openapi(
        title=app.title,
        version=app.version,
        summary="Pooled blind comparisons for fermenting and distilling at home, and the calculators behind them.",
        description=DESCRIPTION,
        routes=app.routes,
        license_info={"name": "MIT (software), CC0-1.0 (pooled data)", "identifier": "MIT"},
    )
    schemas = text["components"]["schemas"]
    for framework_own in ("HTTPValidationError", "ValidationError"):
        schemas.pop(framework_own, None)
    schemas["Problem"] = ProblemDocument.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas.update(schemas["Problem"].pop("$defs", {}))
    for operations in text["paths"].values():
        for method, operation in operations.items():
            _document_refusals(method, operation)
    app.openapi_schema = text
    return text


def _document_refusals(method: str, operation: dict[str, Any]) -> None:
    responses = operation["responses"]
    responses.pop("422", None)
    by_status: dict[int, list[str]] = {}
    for slug in dict.fromkeys(_refusals_of(method, operation)):
        kind = PROBLEMS[slug]
        by_status.setdefault(kind.status, []).append(kind.title)
    for status, titles in sorted(by_status.items()):
        responses[str(status)] = {
            "description": "; or ".join(titles),
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
        }


def _refusals_of(method: str, operation: dict[str, Any]) -> list[str]:
    slugs = [*_EVERY, *_OF_OPERATION.get(operation.get("operationId", ""), ())]
    parameters = operation.get("parameters", [])
    if "requestBody" in operation:
        slugs += _WITH_BODY
    if parameters:
        slugs += _WITH_INPUT
    if any(parameter["in"] == "path" for parameter in parameters):
        slugs += _WITH_PATH
    if operation.get("security"):
        slugs += _SIGNED_IN
        if method in {"post", "put", "delete"}:
            slugs += [*_WRITES, *_WITH_PATH]
    names = {parameter["name"] for parameter in parameters}
    if "If-Match" in names:
        slugs += _EDITS
    if "Idempotency-Key" in names:
        slugs += ["idempotency-key-reused", "request-in-flight"]
    return slugs
