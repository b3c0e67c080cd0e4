"""How much is played: enough for every change, or with ROWWATER_TEST_LONG=1 what a release waits for."""

from __future__ import annotations

import os

LONG = os.environ.get("ROWWATER_TEST_LONG", "0") not in ("", "0")
