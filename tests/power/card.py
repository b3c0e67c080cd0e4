"""An ext4 file system on a loop device over a card that forgets (forgetful.py): mounted, cut, mended."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

FORGETFUL = Path(__file__).with_name("forgetful.py")
MEGABYTES = 48
TOOLS = ("losetup", "mkfs.ext4", "e2fsck", "mount", "umount")
_SBIN = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
MENDED = 1  # exit status of e2fsck: errors were corrected; 0: there were none


def missing() -> str | None:
    """What this machine lacks for a power cut; None: nothing."""
    if os.geteuid() != 0:
        return "root, for a loop device and its mount"
    if tools := [name for name in TOOLS if shutil.which(name, path=_SBIN) is None]:
        return f"{', '.join(tools)} (apt-get install e2fsprogs mount)"
    for device in ("/dev/fuse", "/dev/loop-control"):
        try:
            os.close(os.open(device, os.O_RDWR))
        except OSError as error:
            return f"{device}: {error.strerror}"
    return None


def run(*argv: str, okay: tuple[int, ...] = (0,)) -> str:
    done = subprocess.run(argv, capture_output=True, text=True, env={**os.environ, "PATH": _SBIN})
    assert done.returncode in okay, (argv, done.returncode, done.stdout[-2000:], done.stderr[-2000:])
    return done.stdout


class Card:
    def __init__(self, folder: Path, seed: int) -> None:
        self._at, self.root = folder / "card", folder / "root"
        self._at.mkdir()
        self.root.mkdir()
        self._server = subprocess.Popen(
            [sys.executable, str(FORGETFUL), str(self._at), str(MEGABYTES), str(seed)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self._boots = 0
        self._loop: str | None = None
        self.state()
        self._attach()
        run("mkfs.ext4", "-q", "-E", "nodiscard,lazy_itable_init=0,lazy_journal_init=0", self._device)
        self._mount()

    def order(self, words: str) -> dict[str, Any]:
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.write(words + "\n")
        self._server.stdin.flush()
        answer: dict[str, Any] = json.loads(self._server.stdout.readline())
        return answer

    def state(self) -> dict[str, Any]:
        return self.order("state")

    @property
    def _device(self) -> str:
        assert self._loop is not None
        return self._loop

    def _attach(self) -> None:
        self._boots += 1
        self._loop = run("losetup", "--find", "--show", str(self._at / f"disk-{self._boots}")).strip()

    def _mount(self) -> None:
        run("mount", "-t", "ext4", "-o", "noatime", self._device, str(self.root))

    def cut(self) -> dict[str, Any]:
        """From now on nothing is written any more; what the programs do next, nobody remembers."""
        return self.order("cut")

    def restart(self) -> str:
        """After a cut, with every program of it gone: checked, mended and mounted. What there was to mend
        besides what the journal does; AssertionError where it cannot be mended without a person.
        """
        self._detach()
        self.order("on")
        self._attach()
        run("e2fsck", "-E", "journal_only", "-p", self._device, okay=(0, MENDED))
        found = run("e2fsck", "-f", "-p", self._device, okay=(0, MENDED))
        self._mount()
        return "".join(f"{line}\n" for line in found.splitlines() if " files (" not in line)

    def _detach(self) -> None:
        give_up = time.monotonic() + 10
        while subprocess.run(["umount", str(self.root)], capture_output=True).returncode:
            assert time.monotonic() < give_up, run("fuser", "-vm", str(self.root), okay=(0, 1))
            time.sleep(0.05)
        run("losetup", "--detach", self._device)
        self._loop = None

    def end(self) -> None:
        subprocess.run(["umount", "-l", str(self.root)], capture_output=True)
        if self._loop is not None:
            subprocess.run(["losetup", "--detach", self._loop], env={**os.environ, "PATH": _SBIN})
        subprocess.run(["umount", "-l", str(self._at)], capture_output=True)
        self._server.kill()
        self._server.communicate()
