"""Writes down which rows a reader of the database has met: acknowledged ones, that must outlive a cut.

    python observer.py DATABASE ACKNOWLEDGED TABLE...

In the world's time, and in a process of its own: the memory that it shares with the database may be gone.
"""

from __future__ import annotations

import json
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path

LOOK_S = 0.03


def main(database: str, acknowledged: str, *tables: str) -> None:
    newest = dict.fromkeys(tables, 0)
    with Path(acknowledged).open("a") as file:
        while True:
            try:
                with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True, timeout=1)) as plain:
                    while True:
                        for table in tables:
                            query = f"SELECT * FROM {table} WHERE id > ? ORDER BY id"
                            for row in plain.execute(query, [newest[table]]).fetchall():
                                newest[table] = row[0]
                                file.write(json.dumps([table, repr(row)]) + "\n")
                        file.flush()
                        time.sleep(LOOK_S)
            except sqlite3.Error:
                time.sleep(LOOK_S)


if __name__ == "__main__":
    main(*sys.argv[1:])
