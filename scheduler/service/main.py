"""The service's own process: what `rowwater serve` turns into."""

from __future__ import annotations

import json
import logging
import os
import sys
from pathlib import Path
from typing import Any, NoReturn

from scheduler.errors import RowwaterError
from scheduler.service.settings import Settings
from scheduler.service.start import serve


def main(order: dict[str, Any]) -> NoReturn:
    """order: {"data", "config", "settings"}. Ends with the exit status of the command."""
    settings = dict(order["settings"])
    if "witness" in settings:
        settings["witness"] = Path(settings["witness"])
    config = None if order["config"] is None else Path(order["config"])
    try:
        status = serve(Path(order["data"]), config, dict(os.environ), Settings(**settings))
    except RowwaterError as error:
        one_line = len(error.text.splitlines()) == 1
        print(f"rowwater: {error.text}" if one_line else error.text, file=sys.stderr)
        if error.hint:
            print(f"  hint: {error.hint}", file=sys.stderr)
        status = error.exit_status
    except BaseException:
        logging.getLogger("rowwater").exception("the service ends")
        status = 1
    logging.shutdown()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(status)  # a thread that hangs (a daily job, a relay) must not hold up the end


if __name__ == "__main__":
    main(json.loads(sys.argv[1]))
