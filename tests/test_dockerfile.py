"""The image's own steps, performed without an image: what it copies, installs, sets and starts."""

import json
import os
import re
import shlex
import shutil
import socket
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import httpx
import pytest

from service.settings import Settings

TOP = Path(__file__).parents[1]
PATIENCE_S = 60


def instructions():
    """Give the Dockerfile's instructions in order: name and what follows it, continued lines joined."""
    text = re.sub(r"\\\n\s*", " ", (TOP / "Dockerfile").read_text())
    lines = [line.strip() for line in text.splitlines() if line.strip() and not line.startswith("#")]
    return [tuple(line.split(maxsplit=1)) for line in lines]


def copied():
    """Give what is copied from the project: each path, and where it goes below the build's folder."""
    for name, rest in instructions():
        if name == "COPY" and "--from=" not in rest:
            *sources, target = rest.split()
            for source in sources:
                yield source, (source if target == "./" else target)


def environment():
    given = {}
    for name, rest in instructions():
        if name == "ENV":
            given |= dict(each.split("=", 1) for each in shlex.split(rest))
    return given


def only(name):
    return [rest for each, rest in instructions() if each == name][-1]


def test_everything_that_is_copied_is_there_and_enough_to_build_from():
    sources = {source for source, _ in copied()}
    assert all((TOP / source).exists() for source in sources)
    project = tomllib.loads((TOP / "pyproject.toml").read_text())
    needed = {"pyproject.toml", project["project"]["readme"], *project["project"]["license-files"]}
    assert sources >= needed | set(project["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"])


def test_what_it_sets_are_settings_and_what_it_starts_is_our_command():
    given = {name.removeprefix("MANYBATCH_").lower(): value for name, value in environment().items() if "MANYB" in name}
    settings = Settings().on(**Settings.model_validate(given).model_dump(include=set(given)))
    assert settings.host == "0.0.0.0"  # noqa: S104  a container is reached from outside itself
    assert settings.database_url == "sqlite:////var/lib/manybatch/manybatch.db"
    assert str(settings.port) in only("EXPOSE")
    scripts = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]["scripts"]
    command = json.loads(only("CMD"))
    assert command[0] in scripts
    assert only("USER") != "root"
    assert only("VOLUME") in environment()["MANYBATCH_DATABASE_URL"]


def test_it_is_built_and_run_on_one_named_python_that_the_project_takes():
    bases = [rest.split()[0] for name, rest in instructions() if name == "FROM"]
    assert len(bases) == 2
    assert len(set(bases)) == 1
    found = re.fullmatch(r"python:3\.(\d+)-slim-[a-z]+", bases[0])
    assert found is not None
    least = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]["requires-python"]
    assert int(found[1]) >= int(least.removeprefix(">=3."))


@pytest.mark.soak
def test_it_installs_into_a_clean_environment_and_starts(tmp_path):
    """Downloads and installs every dependency: a minute or two, so outside the fast suite."""
    build, home = tmp_path / "build", tmp_path / "home"
    home.mkdir()
    build.mkdir()
    for source, target in copied():
        copy = shutil.copytree if (TOP / source).is_dir() else shutil.copy
        copy(TOP / source, build / target)
    prefix = str(tmp_path / "installed")
    (install,) = [rest for name, rest in instructions() if name == "RUN" and "pip install" in rest]
    install = install.replace("/opt/manybatch", prefix).replace("python -m venv", f"{sys.executable} -m venv")
    subprocess.run(["/bin/sh", "-euc", install], cwd=build, check=True, stdout=subprocess.DEVNULL)

    with socket.create_server(("127.0.0.1", 0)) as free:
        port = str(free.getsockname()[1])
    given = {name: value.replace("/opt/manybatch", prefix) for name, value in environment().items()}
    given["PATH"] = given["PATH"].replace("$PATH", os.environ["PATH"])
    given |= {
        "MANYBATCH_HOST": "127.0.0.1",
        "MANYBATCH_PORT": port,
        "MANYBATCH_DATABASE_URL": f"sqlite:///{home / 'manybatch.db'}",
        "HOME": str(home),
    }
    command = ["/bin/sh", "-euc", shlex.join(json.loads(only("CMD")))]
    with (home / "log").open("w") as log:
        process = subprocess.Popen(command, cwd=home, env=given, stdout=log, stderr=log)
    try:
        check = json.loads(only("HEALTHCHECK").partition("CMD ")[2])
        check[0] = f"{prefix}/bin/{check[0]}"
        until = time.monotonic() + PATIENCE_S
        while subprocess.run(check, cwd=home, env=given, check=False, stderr=subprocess.DEVNULL).returncode:
            assert process.poll() is None, (home / "log").read_text()
            assert time.monotonic() < until, (home / "log").read_text()
            time.sleep(0.5)
        base = f"http://127.0.0.1:{port}"
        for path in ("/v1/questions", "/docs/swagger-ui-bundle.js", "/", "/v1/calculators/gravity/scales?sg=1.05"):
            assert httpx.get(base + path).status_code == 200
        assert httpx.post(f"{base}/v1/contributors", json={"display_name": "x"}).status_code == 201
    finally:
        process.terminate()
        assert process.wait(PATIENCE_S) in {0, -15, 143}
    version = subprocess.run(
        [f"{prefix}/bin/manybatch", "version"], env=given, check=True, capture_output=True, text=True
    ).stdout
    assert version.startswith("manybatch ")
