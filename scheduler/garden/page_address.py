"""Where the page for phones listens, as garden.yaml has it. For the script that has systemd listen there.

python -m scheduler.garden.page_address /etc/rowwater/garden.yaml       nothing where there is no page
"""

from __future__ import annotations

import sys
from pathlib import Path

from scheduler.errors import RowwaterError
from scheduler.garden.file import load


def page_address(garden_file: Path) -> str | None:
    """None where no `page:` stands in it. Raises what reading a garden raises."""
    page = load(garden_file).service.get("page")
    return None if page is None else str(page["listen"])


if __name__ == "__main__":
    try:
        print(page_address(Path(sys.argv[1])) or "")  # noqa: T201 - a process of its own: print is its voice
    except RowwaterError as error:
        sys.exit(error.text)
