"""`rowwater completion SHELL`: the script that completes commands, options, zones and crops in a shell."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from scheduler.cli import common

PROGRAM = "rowwater"
VARIABLE = "_ROWWATER_COMPLETE"
"""Set by the script when it asks for completions (click's convention)."""


@click.command(name="completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@common.place_options
@click.pass_context
def command(ctx: click.Context, shell: str) -> None:
    """The completion script for SHELL.

    \b
    bash  eval "$(rowwater completion bash)"      in ~/.bashrc
    zsh   eval "$(rowwater completion zsh)"       in ~/.zshrc, after compinit
    fish  rowwater completion fish | source       in ~/.config/fish/config.fish
    """
    script = get_completion_class(shell)
    assert script is not None
    click.echo(script(ctx.find_root().command, {}, PROGRAM, VARIABLE).source())
