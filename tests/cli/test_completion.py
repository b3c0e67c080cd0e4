"""`rowwater completion`: asked by real shells, in a garden that was read before."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from cli.conftest import Grower

from scheduler.cli.main import COMMANDS

ROOT = Path(__file__).parents[2]
HEAVY = {"numpy", "pandas", "pyet", "sqlalchemy", "requests", "pydantic"}
TRIED = {
    "wh": {"why"},
    "": set(COMMANDS),
    "why t": {"tomatoes"},
    "water ": {"tomatoes", "beans", "lettuce", "squash", "onions"},
    "note applied b": {"beans"},
    "note planted beans spin": {"spinach"},
    "note planted beans bush b": {"bean", "beans"},
    "note chore fl": {"flush"},
    "log --zone s": {"squash"},
    "hold beans until to": {"today", "tomorrow"},
    "day --date y": {"yesterday"},
    "why --js": {"--json"},
    "crops arug": {"arugula"},
    "completion f": {"fish"},
}
"""What is typed: what completes it."""


@pytest.fixture
def program(grower: Grower) -> Grower:
    """`rowwater` on the shell's path, in a garden whose zones are remembered."""
    folder = grower.folder / "bin"
    folder.mkdir()
    script = folder / "rowwater"
    script.write_text(f"#!{sys.executable}\nfrom scheduler.cli.main import main\nmain()\n")
    script.chmod(0o755)
    grower("day", "--date", "2015-07-01")
    grower("log")
    return grower


def shell(grower: Grower, *command: str) -> list[str]:
    """What a shell prints, word by line; nothing on stderr."""
    path = f"{grower.folder / 'bin'}:{os.environ['PATH']}"
    environment = os.environ | {"PATH": path, "PYTHONPATH": str(ROOT), "HOME": str(grower.folder)}
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=100, env=environment, cwd=grower.folder
    )
    assert done.stderr == ""
    return done.stdout.splitlines()


def by_shell(name: str) -> str:
    """The shell's path; its test is left out where it is not installed."""
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed")
    return found


def test_bash(program: Grower) -> None:
    lines = ['eval "$(rowwater completion bash)"']
    for typed in TRIED:
        words = ["rowwater", *typed.split(" ")]
        listed = " ".join(f"'{word}'" for word in words)
        lines += [
            f"COMP_WORDS=({listed}); COMP_CWORD={len(words) - 1}; COMPREPLY=()",
            '_rowwater_completion rowwater; echo "${COMPREPLY[*]}"',
        ]
    said = shell(program, by_shell("bash"), "--norc", "-c", "\n".join(lines))
    assert dict(zip(TRIED, [set(line.split()) for line in said], strict=True)) == TRIED


def test_fish(program: Grower) -> None:
    asked = "\n".join(f"complete -C 'rowwater {typed}'; echo ." for typed in TRIED)
    said = shell(program, by_shell("fish"), "-N", "-c", f"rowwater completion fish | source\n{asked}")
    answers = "\n".join(said).split("\n.")
    found = [{line.split("\t")[0] for line in answer.splitlines() if line} for answer in answers]
    assert dict(zip(TRIED, found, strict=False)) == TRIED


def test_zsh(program: Grower) -> None:
    """The script's function is called with what zsh sets; `_describe` shows the words."""
    lines = [
        "autoload -Uz compinit; compinit -u -D",
        'eval "$(rowwater completion zsh)"',
        '_describe() { local -a all; all=("${(@P)3}"); print -l -- "${all[@]}"; }',
        'compadd() { local -a all; all=("${(@P)@[-1]}"); print -l -- "${all[@]}"; }',
    ]
    for typed in TRIED:
        words = ["rowwater", *typed.split(" ")]
        listed = " ".join(f"'{word}'" for word in words)
        lines += [f"words=({listed}); CURRENT={len(words)}; _rowwater_completion; print ."]
    said = shell(program, by_shell("zsh"), "-f", "-c", "\n".join(lines))
    answers = "\n".join(said).split("\n.")
    found = [{line.split(":")[0] for line in answer.splitlines() if line} for answer in answers]
    assert dict(zip(TRIED, found, strict=False)) == TRIED


@pytest.mark.parametrize("typed", ["", "why t", "note ", "log --zone s"])
def test_a_completion_carries_nothing_heavy(program: Grower, typed: str) -> None:
    code = (
        "import atexit, sys\n"
        f"atexit.register(lambda: print('heavy', sorted({HEAVY!r} & set(sys.modules))))\n"
        "from scheduler.cli.main import main\n"
        "main()\n"
    )
    words = ["rowwater", *typed.split(" ")]
    environment = os.environ | {
        "PYTHONPATH": str(ROOT), "_ROWWATER_COMPLETE": "bash_complete",
        "COMP_WORDS": " ".join(words), "COMP_CWORD": str(len(words) - 1),
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, env=environment
    )
    assert done.stdout.splitlines()[-1] == "heavy []"
    assert "plain," in done.stdout


def test_a_broken_or_missing_garden_completes_nothing_and_says_nothing(program: Grower) -> None:
    program.garden.write_text("zones: [")
    script = (
        'eval "$(rowwater completion bash)"; COMP_WORDS=(rowwater why t); COMP_CWORD=2; '
        'COMPREPLY=(); _rowwater_completion rowwater; echo "${#COMPREPLY[@]}"'
    )
    assert shell(program, by_shell("bash"), "--norc", "-c", script) == ["0"]
    program.garden.unlink()
    assert shell(program, by_shell("bash"), "--norc", "-c", script) == ["0"]


def test_a_shell_that_is_not_known(grower: Grower) -> None:
    said = grower("completion", "tcsh")
    assert (said.status, said.out) == (2, "")
    assert "bash" in said.err
