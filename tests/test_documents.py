"""README.md and DEVELOPERS.md hold what the program is and says now.

Each ``console`` block of the README is run: its commands are ours or curl's, and every stretch of output that the
block shows must stand in the real output, in that order. ``python tests/test_documents.py`` writes them anew: it keeps
of each block the number of lines it shows, and the first line of every stretch after a mark of trimming.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import io
import json
import os
import re
import shlex
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import pytest
from flask.testing import FlaskClient
from loss_picture import PICTURE, picture

from repairadvisor import cli, settings
from repairadvisor.facts.vocabulary import FACTS
from repairadvisor.methods import PreparedMethod, prepared_method
from repairadvisor.service import Advisor, open_records
from repairadvisor.settings import Settings, cache_folder
from repairadvisor.web.app import create_app

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
DEVELOPERS = ROOT / "DEVELOPERS.md"
TRIMMED = "[… trimmed]"
_ID = re.compile(r"\b[0-9a-f]{32}\b")
_HEADER = "-H"
#: The tour's ticket system is a folder of files.
_EXAMPLES_OF_SPOOL = {settings.PLUGINS: str(ROOT / "plugins" / "spool" / "examples" / "plugins.toml")}


def text_of(*files: Path) -> str:
    return "\n".join(file.read_text(encoding="utf-8") for file in files)


def blocks(text: str, language: str) -> list[str]:
    """The fenced blocks in a language, in their order."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


# --- the first two blocks ---------------------------------------------------------------------------------------


def first_blocks() -> list[str]:
    return blocks(text_of(README), "sh")[:2]


def options_of(parser: argparse.ArgumentParser) -> dict[str, set[str]]:
    """The commands of the command line, and the options of each."""
    found: dict[str, set[str]] = {}
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, command in action.choices.items():
                inner = {f"{name} {deeper}": options for deeper, options in options_of(command).items()}
                own = {option for one in command._actions for option in one.option_strings} - {"-h", "--help"}
                found |= inner or {name: own}
    return found


COMMANDS = options_of(cli._parser())


def words_of(line: str) -> list[str]:
    return shlex.split(line.replace("\\\n", " "), comments=True)


def test_the_readme_opens_with_one_paragraph_after_its_title() -> None:
    parts = text_of(README).split("\n\n")

    assert parts[0].startswith("# ")
    assert not parts[1].startswith(("#", "-", "|", "`", ">", "!"))
    assert parts[2].startswith("#")


def test_the_first_block_installs_advises_and_serves() -> None:
    lines = first_blocks()[0].replace("\\\n", " ").splitlines()
    ours = [words_of(line)[1:] for line in lines if line.startswith(".venv/bin/repairadvisor ")]

    assert any("pip install" in line and "-c .ci/constraints.txt" in line for line in lines)
    assert [words[0] for words in ours] == ["advise", "serve"]
    assert "--background" in ours[1]


def test_the_second_block_installs_the_tests_and_runs_them() -> None:
    lines = first_blocks()[1].splitlines()

    assert any("-c .ci/constraints.txt" in line and "[test]" in line for line in lines)
    assert lines[-1] == ".venv/bin/python -m pytest"


@pytest.mark.parametrize("number", [0, 1])
def test_the_first_blocks_name_only_programs_and_options_that_exist(number: int) -> None:
    for line in first_blocks()[number].replace("\\\n", " ").splitlines():
        words = words_of(line)
        assert words[0] in ("python3", ".venv/bin/pip", ".venv/bin/python", ".venv/bin/repairadvisor")
        if words[0] == ".venv/bin/repairadvisor":
            cli._parser().parse_args(words[1:])  # ends the program where a word is unknown
        elif words[0] == ".venv/bin/pip":
            constraints = words[words.index("-c") + 1]
            assert (ROOT / constraints).is_file()


# --- nothing is left out ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_and_option_is_documented(command: str) -> None:
    text = text_of(README, DEVELOPERS)

    assert f"`repairadvisor {command}" in text
    assert [option for option in sorted(COMMANDS[command]) if f"`{option}" not in text] == []


def routes() -> list[str]:
    app = create_app(Settings(database_url="sqlite:///unused.db"), Advisor(method(), None))
    found = []
    for rule in app.url_map.iter_rules():
        path = re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule.rule)
        verbs = (rule.methods or set()) - {"HEAD", "OPTIONS"}
        found += [f"{verb} {path}" for verb in sorted(verbs) if rule.endpoint != "static"]
    return found


def test_every_route_is_documented() -> None:
    text = text_of(README, DEVELOPERS).replace("{id}", "{advice_id}")

    assert [route for route in routes() if f"`{route}`" not in text] == []


def test_every_setting_is_documented() -> None:
    names = [
        value for value in vars(settings).values() if isinstance(value, str) and value.startswith("REPAIRADVISOR_")
    ]

    assert len(names) >= 3
    assert [name for name in names if f"`{name}`" not in text_of(README, DEVELOPERS)] == []


def test_every_module_stands_in_the_tree() -> None:
    tree = next(block for block in blocks(text_of(DEVELOPERS), "text") if block.startswith("repairadvisor/"))
    named = set(re.findall(r"\b(\w+)\.py\b", tree.partition("\nplugins/")[0]))
    there = {file.stem for file in (ROOT / "repairadvisor").rglob("*.py") if file.parent.name != "versions"}
    there -= {"__init__"}

    assert there - named == set()
    assert named - there - {"__init__"} == set()


def test_the_number_of_facts_that_is_told_is_right() -> None:
    told = re.findall(r"(\d+) facts", text_of(README, DEVELOPERS))

    assert told
    assert set(told) == {str(len(FACTS))}


@pytest.mark.parametrize("file", [README, DEVELOPERS], ids=lambda file: file.name)
def test_every_path_that_is_named_is_there(file: Path) -> None:
    named = re.findall(
        r"`((?:repairadvisor|tests|plugins|openapi|\.ci)/[\w./-]+|pyproject\.toml|[A-Z]+\.md)`", text_of(file)
    )

    assert named
    assert [name for name in named if not (ROOT / name).exists()] == []


# --- the tour is run ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Example:
    """A command of a console block, and the stretches of its output that are shown."""

    command: str
    shown: tuple[tuple[str, ...], ...]


def examples(text: str) -> list[Example]:
    return [example for block in blocks(text, "console") for example in examples_of(block)]


def examples_of(block: str) -> Iterator[Example]:
    for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
        lines = part.splitlines()
        last = next(i for i in range(len(lines)) if is_whole(lines[: i + 1]))
        stretches: list[list[str]] = [[]]
        for line in lines[last + 1 :]:
            if line == TRIMMED:
                stretches.append([])
            else:
                stretches[-1].append(line)
        yield Example("\n".join(lines[: last + 1]), tuple(tuple(one) for one in stretches if one))


def is_whole(lines: list[str]) -> bool:
    """Whether a command ends here: no line goes on, no quote is open."""
    try:
        shlex.split("\n".join(lines))
    except ValueError:
        return False
    return not lines[-1].endswith("\\")


@functools.cache
def compiled() -> PreparedMethod:
    return prepared_method(cache_folder(os.environ))


def method(*_where: object, **_named: object) -> PreparedMethod:
    """The policy is compiled once for all examples, wherever each would look for it."""
    return compiled()


@functools.cache
def client() -> FlaskClient:
    folder = tempfile.mkdtemp()
    held = Settings(database_url=f"sqlite:///{folder}/records.db")
    return create_app(held, Advisor(method(), open_records(held))).test_client()


def output_of(command: str) -> list[str]:
    """What a command prints, on both channels."""
    words = words_of(command)
    if words[0] == "repairadvisor":
        return our_output(words[1:])
    assert words[0] == "curl", command
    return curl_output(words[1:])


def our_output(words: list[str]) -> list[str]:
    with (
        tempfile.TemporaryDirectory() as folder,
        io.StringIO() as out,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(out),
        mock.patch.object(cli.advise, "prepared_method", method),
        mock.patch.object(cli.deliveries, "prepared_method", method),
        mock.patch.dict("os.environ", {settings.DATABASE_URL: f"sqlite:///{folder}/records.db", **_EXAMPLES_OF_SPOOL}),
        contextlib.chdir(ROOT),
    ):
        cli.main(words)
        return out.getvalue().splitlines()


def curl_output(words: list[str]) -> list[str]:
    """The few words of curl that the tour uses, put to the application."""
    pretty = words[-3:] == ["python3", "-m", "json.tool"]
    if pretty:
        words = words[:-4]
    parser = argparse.ArgumentParser()
    parser.add_argument("-s", action="store_true", required=True)
    parser.add_argument(_HEADER, action="append", default=[])
    parser.add_argument("-d")
    parser.add_argument("address")
    given = parser.parse_args(words)
    headers = dict(header.split(": ", 1) for header in given.H)
    path = given.address.removeprefix("$URL")
    if given.d is None:
        answer = client().get(path, headers=headers)
    else:
        answer = client().post(path, data=given.d.encode(), headers=headers)
    if pretty:
        return json.dumps(json.loads(answer.text), indent=4).splitlines()
    return answer.text.splitlines()


def masked(line: str) -> str:
    """Ids of kept advice are new every time."""
    return _ID.sub("ID", line)


def find(shown: tuple[str, ...], real: list[str], start: int) -> int:
    """Where a stretch begins in the real output, from a line on; -1: nowhere."""
    wanted = [masked(line) for line in shown]
    for i in range(start, len(real) - len(shown) + 1):
        if [masked(line) for line in real[i : i + len(shown)]] == wanted:
            return i
    return -1


def test_the_tour_has_commands_of_both_doors() -> None:
    first_words = {example.command.split()[0] for example in examples(text_of(README))}

    assert first_words == {"repairadvisor", "curl"}


@pytest.mark.parametrize("example", examples(text_of(README)), ids=lambda example: example.command[:60])
def test_the_program_says_what_the_readme_shows(example: Example) -> None:
    real = output_of(example.command)
    at = 0
    for number, stretch in enumerate(example.shown):
        found = find(stretch, real, at)
        assert found == 0 or (number and found > 0), f"{stretch[0]!r} and what follows is not said any more"
        at = found + len(stretch)

    assert example.shown


# --- writing the tour anew ------------------------------------------------------------------------------------------


def renewed(block: str) -> str:
    lines = []
    for example in examples_of(block):
        lines.append(f"$ {example.command}")
        lines += renewed_output(example, output_of(example.command))
    return "\n".join(lines) + "\n"


def renewed_output(example: Example, real: list[str]) -> list[str]:
    lines: list[str] = []
    at = 0
    for number, stretch in enumerate(example.shown):
        if number:
            at = at_the_line(stretch[0], real, at)
            lines.append(TRIMMED)
        lines += real[at : at + len(stretch)]
        at += len(stretch)
    return lines if at >= len(real) else [*lines, TRIMMED]


def at_the_line(line: str, real: list[str], start: int) -> int:
    """The same line further on, else one with the same first two words."""
    rest = range(start, len(real))
    same = (i for i in rest if real[i] == line)
    alike = (i for i in rest if real[i].split()[:2] == line.split()[:2])
    found = next(same, None)
    return next(alike) if found is None else found


def test_the_picture_of_losses_shows_what_the_policy_says() -> None:
    assert PICTURE.read_text(encoding="utf-8") == picture()
    assert str(PICTURE.relative_to(ROOT)) in text_of(README)


def write_anew() -> None:
    PICTURE.write_text(picture(), encoding="utf-8")
    text = text_of(README)
    for block in blocks(text, "console"):
        text = text.replace(block, renewed(block))
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write_anew()
