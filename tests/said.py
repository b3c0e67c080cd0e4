"""What a command said when it was run in this process as the shell would."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Said:
    status: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)
