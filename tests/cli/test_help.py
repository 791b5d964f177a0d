"""Help with examples that can be typed, completion that completes, and progress that tells rate and time left."""

from __future__ import annotations

import argparse
import shlex
import subprocess
import time
from pathlib import Path
from uuid import UUID

import pytest

from quietcuff.cli import COMMANDS, main, make_parser
from quietcuff.cli.operating.completion import SHELLS
from quietcuff.cli.support.examples import EXAMPLES
from quietcuff.cli.support.progress import time_in_words, work_done
from quietcuff.storage.engine.ids import NOBODY
from quietcuff.storage.rows.analysis_pages import START, part_before


@pytest.fixture(scope="module")
def commands() -> dict[str, argparse.ArgumentParser]:
    """The parser of each command."""
    parser = make_parser(COMMANDS)
    [choices] = [action.choices for action in parser._actions if isinstance(action, argparse._SubParsersAction)]
    return dict(choices)


def actions_of(command: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    return {
        word: parser
        for action in command._actions
        if isinstance(action, argparse._SubParsersAction)
        for word, parser in action.choices.items()
    }


def typed(line: str) -> list[str]:
    """The arguments of a line, without where its output goes."""
    words = shlex.split(line)
    return words[: words.index(">")] if ">" in words else words


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_and_each_action_shows_examples_that_can_be_typed(
    commands: dict[str, argparse.ArgumentParser], name: str
) -> None:
    told = commands[name].format_help()
    assert EXAMPLES[name] and commands[name].description
    for line, about in EXAMPLES[name]:
        assert f"  quietcuff {name} {line}".rstrip() + f"\n      {about}" in told
        commands[name].parse_args(typed(line))
    for action, parser in actions_of(commands[name]).items():
        assert f"quietcuff {name} {action}" in parser.format_help(), action


def test_there_are_no_examples_of_what_is_no_command() -> None:
    assert EXAMPLES.keys() == COMMANDS.keys()


@pytest.mark.parametrize("shell", SHELLS)
def test_completion_knows_every_command(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["completion", shell]) == 0
    told = capsys.readouterr().out
    assert all(name in told for name in COMMANDS) and "resume-delivery" in told


def completed(script: Path, *words: str) -> list[str]:
    """The words that bash offers for the last one."""
    line = " ".join(shlex.quote(word) for word in words)
    asked = f'source "{script}"; COMP_WORDS=({line}); COMP_CWORD={len(words) - 1}; _shtab_quietcuff; echo "${{COMPREPLY[@]}}"'
    return subprocess.run(["bash", "-c", asked], capture_output=True, text=True, check=True).stdout.split()


def test_bash_completes_commands_actions_and_options(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["completion", "bash"])
    script = tmp_path / "quietcuff"
    script.write_text(capsys.readouterr().out, "utf-8")
    assert completed(script, "quietcuff", "ke") == ["keys"]
    assert completed(script, "quietcuff", "keys", "re") == ["revoke"]
    assert completed(script, "quietcuff", "tables", "--form") == ["--format"]


def test_long_work_tells_its_rate_and_the_time_left(capsys: pytest.CaptureFixture[str]) -> None:
    with work_done("sets", seconds_between_lines=0.0) as told:
        time.sleep(0.05)
        told(0.25, 1_000)
    line = capsys.readouterr().err
    assert line.startswith("1,000 sets, ") and " a second, 25 %, about 0 s left" in line
    with work_done("sets") as told:
        told(1.0, 1_000)
    assert capsys.readouterr().err == ""
    assert (time_in_words(89.4), time_in_words(90.0), time_in_words(3600.0)) == ("89 s", "2 min", "60 min")


def test_the_part_that_is_done_follows_the_ids_of_people() -> None:
    assert part_before(START) == 0
    assert part_before((UUID(int=1 << 127), NOBODY)) == 0.5
    assert 0.999 < part_before((UUID(int=(1 << 128) - 1), NOBODY)) <= 1
