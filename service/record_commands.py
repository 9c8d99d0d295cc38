"""The commands that look after a record as a whole: verify, backup, load."""

import os
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from service.intake.document_file import Loaded, load_documents
from service.intake.package_loading import Restored, load_packages
from service.intake.refusals import Refused
from service.record import archive
from service.record.database import Database
from service.record.errors import RecordError
from service.record.verify import KnownHead, VerifyReport, verify
from service.settings import Settings
from service.terminal import err, out

_MOST_SHOWN = 50
_ONE_BY_ONE_UP_TO = 4 * 1024 * 1024
"""Bytes of a file for which starting other processes costs more than they save."""

Tell = Callable[[int, int], None]
MaybeFile = Annotated[
    Path | None, typer.Argument(help="A data package or a SQLite file; the current record where left out.")
]
Files = Annotated[
    list[Path], typer.Argument(help="Data packages of one record, all at once; or replication documents, one a line.")
]
Head = Annotated[
    str | None, typer.Option(help="SIZE:HASH, a tree head that you kept: the record must still grow from it.")
]
Processes = Annotated[
    int | None,
    typer.Option(min=0, max=64, help="Processes that check documents; as many as there are to spare where left out."),
]


def join(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command(name="verify")(verify_record)
    app.command()(backup)
    app.command(name="load")(load)


@contextmanager
def _refusing() -> Iterator[None]:
    """End with exit code 1 and a sentence where the record, or a file, says no."""
    try:
        yield
    except RecordError as error:
        err.print(error.detail)
        raise typer.Exit(1) from None
    except (OSError, UnicodeDecodeError) as error:
        err.print(str(error))
        raise typer.Exit(1) from None


@contextmanager
def _bar(title: str) -> Iterator[Tell]:
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), MofNCompleteColumn())
    with Progress(*columns, TimeRemainingColumn(), console=err, transient=True) as progress:
        task = progress.add_task(title, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)


def verify_record(file: MaybeFile = None, head: Head = None) -> None:
    """Recompute every hash and the tree head, of a record or of a data package, without any service.

    It establishes that the history is unaltered, not that what people submitted is true.
    """
    known = _head(head)
    with _refusing(), _bar("Recomputing") as tell:
        if file is not None and zipfile.is_zipfile(file):
            report = archive.check(file, known=known, progress=tell)
        else:
            report = _verified(_url(file), known, tell)
    out.print(f"{report.size} entries, tree head {report.root_hash}", soft_wrap=True)
    out.print(
        f"{report.contents} contents recomputed, {report.erased} erased"
        + (f", {report.withheld} not shown before submission." if report.withheld else ".")
    )
    _say_what_is_wrong(report)
    out.print("Unaltered. That says nothing about whether what people submitted is true.")


def _verified(url: str, known: KnownHead | None, tell: Tell) -> VerifyReport:
    database = Database(url)
    try:
        with database.read() as session:
            return verify(session, known=known, progress=tell)
    finally:
        database.dispose()


def _url(file: Path | None) -> str:
    if file is None:
        return Settings().database_url
    if not file.is_file():
        raise FileNotFoundError(f"There is no file {file}.")
    return f"sqlite:///{file}"


def _head(text: str | None) -> KnownHead | None:
    if text is None:
        return None
    size, _, root_hash = text.partition(":")
    if not size.isdecimal() or len(root_hash) != 64:
        raise typer.BadParameter("write SIZE:HASH, as /v1/ledger/head gives them", param_hint="--head")
    return KnownHead(int(size), root_hash.lower())


def _say_what_is_wrong(report: VerifyReport) -> None:
    if report.whole:
        return
    for problem in report.problems[:_MOST_SHOWN]:
        err.print(f"Position {problem.position}: {problem.detail}.")
    if len(report.problems) > _MOST_SHOWN:
        err.print(f"... and {len(report.problems) - _MOST_SHOWN} more.")
    raise typer.Exit(1)


def backup(file: Annotated[Path, typer.Argument(help="The new file.")]) -> None:
    """Write a consistent copy of a record on SQLite, while it is served; PostgreSQL has its own pg_dump."""
    with _refusing():
        database = Database(Settings().database_url)
        try:
            database.backup(file)
        finally:
            database.dispose()
    out.print(f"Wrote {file} ({file.stat().st_size} bytes).", soft_wrap=True)
    out.print(f"Look whether it is whole: manybatch verify {file}", soft_wrap=True)


def load(files: Files, processes: Processes = None) -> None:
    """Load data packages, or a file of replication documents, into the current record.

    What is there already is passed over: run it again after a fault, and it goes on from there.
    """
    with _refusing():
        packages = [zipfile.is_zipfile(file) for file in files]
        if any(packages) and not all(packages):
            raise OSError("Load data packages by themselves, or files of documents.")
        if processes is None:
            processes = _checkers(files)
        database = Database(Settings().database_url)
        try:
            database.migrate()
            if all(packages):
                with _bar("Loading") as tell:
                    restored = load_packages(database, files, processes=processes, progress=tell)
                    # So that whoever asks first needn't wait until every row is read.
                    database.keep_large_columns()
                _say_restored(restored)
                return
            for file in files:
                with _bar(f"Loading {file.name}") as tell:
                    loaded = load_documents(database, file, processes=processes, progress=tell)
                    database.keep_large_columns()
                _say_loaded(file, loaded)
        finally:
            database.dispose()


def _checkers(files: list[Path]) -> int:
    """Choose how many processes check documents; writing keeps one processor busy."""
    if sum(file.stat().st_size for file in files) <= _ONE_BY_ONE_UP_TO:
        return 0
    return (os.cpu_count() or 1) - 1


def _say_restored(restored: Restored) -> None:
    out.print(
        f"Loaded {restored.acts} acts, {restored.replications} replications among them; {restored.already_there} acts "
        "were there already."
    )
    if restored.untold:
        out.print(f"{restored.untold} replications were never submitted: they are counted as started, as they were.")
    if restored.erased or restored.passed_over:
        out.print(f"{restored.erased} things had been erased; {restored.passed_over} acts on such were passed over.")
    _say_refused([(f"Position {each.position}", each.refused) for each in restored.refused])


def _say_loaded(file: Path, loaded: Loaded) -> None:
    out.print(f"{file}: loaded {loaded.loaded} replications; {loaded.already_there} were there already.")
    _say_refused([(f"{file}, line {each.number}", each.refused) for each in loaded.refused])


def _say_refused(refused: list[tuple[str, Refused]]) -> None:
    for where, each in refused[:_MOST_SHOWN]:
        err.print(f"{where}: {each.detail}")
        for fault in each.faults:
            err.print(f"  {fault.pointer or 'the document'}: {fault.detail}")
    if len(refused) > _MOST_SHOWN:
        err.print(f"... and {len(refused) - _MOST_SHOWN} more.")
    if refused:
        err.print(f"{len(refused)} were refused; the rest is in the record.")
        raise typer.Exit(1)
