"""A card that forgets what was not flushed: one file for a loop device, served over FUSE.

    python forgetful.py FOLDER MEGABYTES SEED

A process of its own that mounts itself at FOLDER (root). Every name that begins with `disk` there is the
same store; a new name for each start of the computer, so that the kernel's cache of the one before is not
read. What is written counts at once for whoever reads, but is kept only from the next flush on. At a cut a
random part of the writes since the last flush is kept, in any order of sectors, some of them torn; from
then on every write and flush fails, until the power is back.

Orders come on standard input, a line each, and each is answered by a line of JSON: `cut`, `cut after N` (at
the N-th write or flush from now), `on`, `lie` (the next flushes keep nothing), `honest`, `state`.

The protocol is the kernel's own (include/uapi/linux/fuse.h, version 7.31); no library is needed.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import random
import select
import stat
import struct
import sys

SECTOR = 512
ROOT = 1
_HEAD = struct.Struct("<IIQQIIII")
_ANSWER = struct.Struct("<IiQ")
_ATTR = struct.Struct("<6Q10I")
LOOKUP, FORGET, GETATTR, SETATTR, OPEN, READ, WRITE, STATFS, RELEASE = 1, 2, 3, 4, 14, 15, 16, 17, 18
FSYNC, FLUSH, INIT, OPENDIR, RELEASEDIR, ACCESS, INTERRUPT, DESTROY, BATCH_FORGET = (
    20,
    25,
    26,
    27,
    29,
    34,
    36,
    38,
    42,
)
MAX_WRITE = 128 * 1024
DIRECT_IO = 1
BIG_WRITES, MAX_PAGES = 1 << 5, 1 << 22


class Store:
    """The card. `seen` is what a reader gets, `kept` what is there after a cut."""

    def __init__(self, size: int, rng: random.Random) -> None:
        self.kept, self.seen = bytearray(size), bytearray(size)
        self.rng = rng
        self.dead = self.lying = False
        self.cut_after: int | None = None
        self.requests = self.flushes = self.forgotten = self.torn = 0
        self._since: list[tuple[int, bytes]] = []  # written since the last flush

    def write(self, offset: int, data: bytes) -> bool:
        """False: the power is gone."""
        if self._gone():
            return False
        self.seen[offset : offset + len(data)] = data
        self._since.append((offset, data))
        return self._passes()

    def flush(self) -> bool:
        if self._gone():
            return False
        self.flushes += 1
        if not self.lying:
            self._keep(self._since)
            self._since = []
        return self._passes()

    def _gone(self) -> bool:
        return self.dead

    def _passes(self) -> bool:
        """Counts a request; the cut comes in the middle of one: it was done, and nobody is told so."""
        self.requests += 1
        if self.cut_after is not None:
            self.cut_after -= 1
            if self.cut_after <= 0:
                self.cut()
        return not self.dead

    def _keep(self, writes: list[tuple[int, bytes]]) -> None:
        for offset, data in writes:
            self.kept[offset : offset + len(data)] = data

    def cut(self) -> None:
        """Nobody knows what a card does with its cache: all, nothing, or any part of it by sectors."""
        if self.dead:
            return
        self.dead, self.cut_after = True, None
        share = self.rng.choice([0.0, 0.2, 0.5, 0.8, 1.0])
        for offset, data in self._since:
            if self.rng.random() >= share:
                self.forgotten += 1
                continue
            if self.rng.random() < 0.3:
                self.torn += 1
                for at in range(0, len(data), SECTOR):
                    if self.rng.random() < 0.5:
                        self._keep([(offset + at, data[at : at + SECTOR])])
            else:
                self._keep([(offset, data)])
        self._since = []

    def on(self) -> None:
        self.seen[:] = self.kept
        self.dead = False

    def state(self) -> dict[str, int | bool]:
        return {
            "dead": self.dead, "requests": self.requests, "flushes": self.flushes,
            "forgotten": self.forgotten, "torn": self.torn, "waiting": len(self._since),
        }  # fmt: skip


class Server:
    """Answers the kernel: a folder with one file of many names."""

    def __init__(self, store: Store, fd: int) -> None:
        self.store, self.fd = store, fd
        self._names: dict[bytes, int] = {}
        self._newest = (
            ROOT  # a mount of before the cut that lives on somewhere (in a container) writes no more
        )

    def once(self) -> bool:
        """One request; False when the file system was taken away."""
        try:
            request = os.read(self.fd, MAX_WRITE + 4096)
        except InterruptedError:
            return True
        except OSError as error:
            return error.errno in (errno.ENOENT, errno.EAGAIN)
        _, opcode, unique, node, *_ = _HEAD.unpack_from(request)
        answer = self._answer(opcode, node, request[_HEAD.size :])
        if answer is not None:
            code, body = (answer, b"") if isinstance(answer, int) else (0, answer)
            try:
                os.write(self.fd, _ANSWER.pack(_ANSWER.size + len(body), -code, unique) + body)
            except OSError as error:
                if error.errno != errno.ENOENT:  # the request was given up meanwhile
                    raise
        return opcode != DESTROY

    def _answer(self, opcode: int, node: int, body: bytes) -> bytes | int | None:
        """The answer, an error number, or None where none is wanted."""
        if opcode in (FORGET, BATCH_FORGET, INTERRUPT):
            return None
        if opcode == INIT:
            return struct.pack("<4I2H2I2H8I", 7, 31, 0, BIG_WRITES | MAX_PAGES, 16, 12, MAX_WRITE, 1,
                               MAX_WRITE // 4096, 0, *[0] * 8)  # fmt: skip
        if opcode == LOOKUP:
            return self._lookup(body.rstrip(b"\0"))
        if opcode in (GETATTR, SETATTR):
            return struct.pack("<Q2I", 0, 0, 0) + self._attr(node)
        if opcode in (OPEN, OPENDIR):
            return struct.pack("<Q2I", 0, DIRECT_IO if opcode == OPEN else 0, 0)
        if opcode in (READ, WRITE, FSYNC) and node != self._newest:
            return errno.EIO
        if opcode == READ:
            _, offset, size = struct.unpack_from("<QQI", body)
            return bytes(self.store.seen[offset : offset + size])
        if opcode == WRITE:
            _, offset, size = struct.unpack_from("<QQI", body)
            done = self.store.write(offset, body[40 : 40 + size])
            return struct.pack("<2I", size, 0) if done else errno.EIO
        if opcode == FSYNC:
            return b"" if self.store.flush() else errno.EIO
        if opcode == STATFS:
            return struct.pack("<5Q4I6I", 0, 0, 0, 0, 0, 4096, 255, 4096, 0, *[0] * 6)
        if opcode in (FLUSH, RELEASE, RELEASEDIR, ACCESS, DESTROY):
            return b""
        return errno.ENOSYS

    def _lookup(self, name: bytes) -> bytes | int:
        if not name.startswith(b"disk"):
            return errno.ENOENT
        node = self._names.setdefault(name, ROOT + 1 + len(self._names))
        self._newest = max(self._newest, node)
        return struct.pack("<4Q2I", node, 0, 0, 0, 0, 0) + self._attr(node)

    def _attr(self, node: int) -> bytes:
        size = 0 if node == ROOT else len(self.store.seen)
        mode = stat.S_IFDIR | 0o755 if node == ROOT else stat.S_IFREG | 0o600
        return _ATTR.pack(node, size, size // SECTOR, *[0] * 6, mode, 1, 0, 0, 0, 4096, 0)


def mount(folder: str) -> int:
    fd = os.open("/dev/fuse", os.O_RDWR)
    libc = ctypes.CDLL(None, use_errno=True)
    options = f"fd={fd},rootmode=40000,user_id=0,group_id=0".encode()
    if libc.mount(b"forgetful", folder.encode(), b"fuse.forgetful", 0, options) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), folder)
    return fd


def obey(store: Store, order: str) -> None:
    words = order.split()
    if words[:2] == ["cut", "after"]:
        store.cut_after = int(words[2])
    else:
        {
            "cut": store.cut, "on": store.on, "state": lambda: None,
            "lie": lambda: setattr(store, "lying", True), "honest": lambda: setattr(store, "lying", False),
        }[order]()  # fmt: skip
    print(json.dumps(store.state()), flush=True)


def main(folder: str, megabytes: str, seed: str) -> None:
    store = Store(int(megabytes) * 1024 * 1024, random.Random(int(seed)))
    fd = mount(folder)
    server = Server(store, fd)
    news = select.poll()
    news.register(fd, select.POLLIN)
    news.register(sys.stdin, select.POLLIN)
    rest = b""
    while True:
        ready = dict(news.poll())
        if 0 in ready:
            data = os.read(0, 4096)
            if not data:
                return
            *lines, rest = (rest + data).split(b"\n")
            for line in lines:
                obey(store, line.decode().strip())
        if fd in ready and not server.once():
            return


if __name__ == "__main__":
    main(*sys.argv[1:])
