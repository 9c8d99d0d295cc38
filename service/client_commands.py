"""The commands that call a service: check, submit, evidence, calc, export."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn
from rich.table import Table

from service.client import DEFAULT_ADDRESS, Client, ClientError, Refused
from service.intake.report_models import Report
from service.terminal import err, out

EXIT_CODES = "Exit codes: 0 done; 1 refused, or no answer came (standard error says why); 2 a command mistyped."

_DOWNLOADING = (TextColumn("{task.description}"), BarColumn(), DownloadColumn())

To = Annotated[str, typer.Option("--to", envvar="MANYBATCH_TO", help="Address of the service.")]
Token = Annotated[str | None, typer.Option("--token", envvar="MANYBATCH_TOKEN", help="A contributor's token.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the answer as JSON, for machines.")]
Document = Annotated[Path, typer.Argument(help="A replication document in JSON; - reads standard input.")]


def join(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    for command in (check, submit, evidence, calc, export):
        app.command(epilog=EXIT_CODES)(command)


@contextmanager
def _client(to: str, token: str | None = None) -> Iterator[Client]:
    """Open a client; a refusal prints what to mend and ends with exit code 1."""
    try:
        with Client(to, token) as client:
            yield client
    except Refused as refused:
        err.print(refused.problem.get("title", "Refused"), style="bold")
        if not refused.faults:
            err.print(f"  {refused}")
        for pointer, detail in refused.faults:
            err.print(f"  {pointer or 'the document'}: {detail}")
        raise typer.Exit(1) from None
    except ClientError as error:
        err.print(f"No answer from {to}: {error}")
        raise typer.Exit(1) from None


def _read(path: Path) -> dict[str, Any]:
    try:
        text = sys.stdin.read() if str(path) == "-" else path.read_text(encoding="utf-8")
        document = json.loads(text)
    except (OSError, ValueError) as error:
        err.print(f"{path}: {error}")
        raise typer.Exit(1) from None
    if not isinstance(document, dict):
        err.print(f"{path}: a replication document is a JSON object")
        raise typer.Exit(1)
    return document


def _print_report(report: Report) -> None:
    for sentence in report.summary:
        out.print(sentence)
    for heading, flags in (("Unlike the plan", report.deviations), ("Other explanations", report.confounds)):
        if flags:
            table = Table(title=heading, title_justify="left", show_header=False, box=None)
            for flag in flags:
                table.add_row(flag.name, flag.detail)
            out.print(table)
    for caution in report.cautions:
        out.print(f"Caution: {caution}")


def check(file: Document, to: To = DEFAULT_ADDRESS, *, as_json: AsJson = False) -> None:
    """Check a replication document, and keep nothing."""
    document = _read(file)
    with _client(to) as client, err.status("Checking"):
        report = client.check(document)
    if as_json:
        typer.echo(report.model_dump_json(indent=2))
    else:
        _print_report(report)


def submit(file: Document, to: To = DEFAULT_ADDRESS, token: Token = None, *, as_json: AsJson = False) -> None:
    """Register or submit a replication document."""
    document = _read(file)
    with _client(to, token) as client, err.status("Sending"):
        kept = client.submit(document)
    if as_json:
        typer.echo(kept.model_dump_json(indent=2))
    else:
        out.print(f"Kept as {kept.id}, revision {kept.revision}, {kept.state}.")
        _print_report(kept.report)


def evidence(
    slug: Annotated[str, typer.Argument(help="The question's slug.")],
    to: To = DEFAULT_ADDRESS,
    as_of: Annotated[str | None, typer.Option(help="A ledger position or a date.")] = None,
    where: Annotated[list[str] | None, typer.Option(help="condition:value; repeat to narrow further.")] = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Read the pooled answer to a question."""
    with _client(to) as client, err.status("Asking"):
        found = client.evidence(slug, as_of=as_of, where=where)
    if as_json:
        typer.echo(found.model_dump_json(indent=2))
        return
    out.print(found.question.title, style="bold")
    out.print(found.answer)
    out.print(f"Certainty: {found.certainty or 'exploratory'} ({'; '.join(found.certainty_reasons)}).")
    counted = found.counted
    out.print(
        f"{counted.replications} replications by {counted.households} households; {counted.reported} of "
        f"{counted.started} started were reported."
    )
    out.print(f"Next: {found.next.what_would_help}")
    out.print(f"Cite as: {found.cite_as}", soft_wrap=True)


def calculators_named(incomplete: str) -> list[str]:
    """Complete a calculator's name, without asking any service."""
    from service.api.calculators.catalogue import CALCULATORS  # noqa: PLC0415  no other command waits for it

    return [each.name for each in CALCULATORS if each.name.startswith(incomplete)]


def calc(
    name: Annotated[
        str, typer.Argument(help="The calculator, such as trial/significance.", autocompletion=calculators_named)
    ],
    given: Annotated[list[str] | None, typer.Argument(help="Its inputs, as name=value.")] = None,
    to: To = DEFAULT_ADDRESS,
    *,
    as_json: AsJson = False,
) -> None:
    """Run a calculator."""
    with _client(to) as client, err.status("Calculating"):
        answer = client.calculate(name, **dict(_input(each) for each in given or ()))
    if as_json:
        typer.echo(json.dumps(answer, indent=2, ensure_ascii=False))
        return
    table = Table(show_header=False, box=None)
    for leaf, value in _leaves(answer["result"], ""):
        if leaf != "reading":
            table.add_row(leaf, "no limit" if value is None else str(value))
    out.print(table)
    if "reading" in answer["result"]:
        out.print(answer["result"]["reading"])
    for caution in answer["cautions"]:
        out.print(f"Caution: {caution}")


def _input(given: str) -> tuple[str, Any]:
    name, equals, text = given.partition("=")
    if not equals:
        raise typer.BadParameter(f"{given}: write name=value")
    try:
        return name, json.loads(text)
    except ValueError:
        return name, text


def _leaves(value: object, name: str) -> Iterator[tuple[str, object]]:
    if isinstance(value, dict):
        for key, part in value.items():
            yield from _leaves(part, f"{name}.{key}" if name else str(key))
    elif isinstance(value, list):
        for number, part in enumerate(value, start=1):
            yield from _leaves(part, f"{name}.{number}")
    else:
        yield name, value


def export(
    slug: Annotated[str, typer.Argument(help="The question's slug.")],
    to: To = DEFAULT_ADDRESS,
    into: Annotated[Path | None, typer.Option(help="File to write; SLUG.zip where left out.")] = None,
    as_of: Annotated[str | None, typer.Option(help="A ledger position or a date.")] = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Download a question's data package."""
    path = into or Path(f"{slug}.zip")
    with _client(to) as client, Progress(*_DOWNLOADING, console=err, transient=True) as progress:
        task = progress.add_task("Downloading", total=None)

        def tell(done: int, total: int | None) -> None:
            progress.update(task, completed=done, total=total)

        try:
            size = client.export(slug, path, as_of=as_of, progress=tell)
        except OSError as error:
            err.print(f"{path}: {error.strerror}")
            raise typer.Exit(1) from None
    if as_json:
        typer.echo(json.dumps({"file": str(path), "bytes": size}))
    else:
        out.print(f"Wrote {path} ({size} bytes).", soft_wrap=True)
