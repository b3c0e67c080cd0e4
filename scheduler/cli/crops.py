"""`rowwater crops [WORD]`: the crop table with its other names, or what a word finds in it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.complete import CROP
from scheduler.errors import BadInput

if TYPE_CHECKING:
    from scheduler.garden.crops import CropBook


@click.command(name="crops")
@click.argument("words", metavar="[WORD]", type=CROP, nargs=-1)
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@common.place_options
def command(words: Sequence[str], as_json: bool) -> None:
    """The crop table with your crops.yaml, or the crops that WORD finds: by name, other name or plural.

    Stage days, Kc of the initial stage, mid-season and the end, root depth from young to grown, and the
    share of the soil's water that the crop uses without stress.  For one crop also each figure's source.
    """
    from scheduler.garden.file import crop_book
    from scheduler.pages.crops import crops_page

    book, display = crop_book(common.config_path_if_any())
    found = _found(book, " ".join(words)) if words else book.names()
    page = crops_page(map(book.entry, found))
    if as_json:
        common.print_json(page)
    else:
        from scheduler.cli.text.crops import crops_text

        click.echo(crops_text(page, display, common.terminal_width()))


def _found(book: CropBook, word: str) -> list[str]:
    found = book.search(word)
    if not found:
        raise BadInput(book.unknown(word))
    if len(found) == 1 and book.find(word) is None:
        click.echo(f'rowwater: "{word}" is taken as {found[0]}', err=True)
    return found
