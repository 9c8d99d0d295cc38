"""The `manybatch` command: run the service, and look after its record."""

import tempfile
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress

from service import __version__, client_commands, record_commands
from service.api.security import hashed, new_secret
from service.evidence.answer import answer
from service.evidence.filters import Filters
from service.record import contributors, ledger, questions
from service.record.database import Database
from service.serving import listen
from service.settings import Settings
from service.terminal import out

app = typer.Typer(no_args_is_help=True, help="Pooled blind comparisons for fermenting and distilling.")
stewards = typer.Typer(no_args_is_help=True, help="People who moderate.")
app.add_typer(stewards, name="steward")
client_commands.join(app)
record_commands.join(app)

Host = Annotated[str | None, typer.Option(help="Address to listen on.")]
Port = Annotated[int | None, typer.Option(help="Port to listen on.", min=0, max=65535)]
Workers = Annotated[int | None, typer.Option(help="Server processes.", min=1, max=64)]


def _open(settings: Settings) -> Database:
    return Database(settings.database_url, pool_size=settings.threads)


@app.command()
def serve(host: Host = None, port: Port = None, workers: Workers = None) -> None:
    """Bring the record's tables up to date, then serve."""
    settings = Settings().on(host=host, port=port, workers=workers)
    database = _open(settings)
    database.migrate()
    database.dispose()
    listen(settings)


@app.command()
def migrate() -> None:
    """Bring the record's tables up to date."""
    database = _open(Settings())
    database.migrate()
    out.print(f"The record is at schema revision {database.schema_revision()}.")


@app.command(name="load-demo")
def load_demo() -> None:
    """Load the invented community into the current record."""
    database = _open(Settings())
    database.migrate()
    _load(database)


def _load(database: Database) -> None:
    from seed_demo.load import load  # noqa: PLC0415  who serves has no use for it

    with Progress(console=out, transient=True) as progress:
        task = progress.add_task("Loading the invented community", total=None)
        loaded = load(database, progress=lambda done, total: progress.update(task, completed=done, total=total))
    out.print(
        f"Loaded an invented community: {loaded.questions} questions, {loaded.replications} replications, "
        f"{loaded.households} households. None of it happened."
    )


@app.command()
def demo(host: Host = None, port: Port = None) -> None:
    """Serve a fresh record with the invented community on it, and say where to look."""
    folder = Path(tempfile.mkdtemp(prefix="manybatch-demo-"))
    settings = Settings().on(host=host, port=port, workers=1, database_url=f"sqlite:///{folder / 'demo.db'}")
    database = _open(settings)
    database.migrate()
    _load(database)
    _print_answer(database)
    database.dispose()
    home = f"http://{settings.host}:{settings.port}"
    out.print(f"\nPages        {home}/")
    out.print(f"Questions    {home}/v1/questions")
    out.print(f"Calculators  {home}/v1/calculators")
    out.print(f"Interface    {home}/docs")
    out.print(f"\nThe record is in {folder}; it is yours to throw away. Stop with Ctrl-C.")
    listen(settings)


def _print_answer(database: Database) -> None:
    """Show what an answer looks like, on the oldest question."""
    with database.read() as session:
        question = questions.page(session)[-1].question
        said = answer(session, question, Filters(), ledger.last_position_of(session, question.id))
    out.print()
    out.print(question.title, style="bold")
    out.print(said.answer)
    out.print(f"Certainty: {said.certainty} ({'; '.join(said.certainty_reasons)}).")


@stewards.command(name="add")
def add_steward(name: Annotated[str, typer.Argument(help="The steward's display name.")]) -> None:
    """Make a steward, and print their token this once."""
    database = _open(Settings())
    database.migrate()
    token = new_secret()
    database.run_write(
        lambda session: contributors.create(session, display_name=name, token_hash=hashed(token), steward=True)
    )
    out.print(f"Steward {name}. Token, shown this once:\n{token}", soft_wrap=True)


@app.command()
def version() -> None:
    """Print the version."""
    out.print(f"manybatch {__version__}")
