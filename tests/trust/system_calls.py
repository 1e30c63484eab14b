"""A recorder of system calls: every change that a process makes below a folder, in order, with its data.

Linux on x86-64 only (``ptrace``).  It can also make one call fail as a full, read-only or broken disk
would, or end the process at a call.  Meant for a forked child that uses one thread for its files.
"""

from __future__ import annotations

import ctypes
import os
import signal
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

SUPPORTED = sys.platform == "linux" and os.uname().machine == "x86_64"

_TRACEME, _GETREGS, _SETREGS, _SYSCALL, _SETOPTIONS = 0, 12, 13, 24, 0x4200
_SYSGOOD, _EXITKILL = 1, 0x100000
_REGISTERS = struct.Struct("27Q")
_RAX, _RDX, _RSI, _RDI, _ORIG_RAX, _R10 = 10, 12, 13, 14, 15, 7
_NAMES = {
    1: "write", 18: "pwrite", 2: "open", 257: "openat", 3: "close", 8: "lseek", 77: "ftruncate", 74: "fsync",
    75: "fsync", 82: "rename", 264: "renameat", 316: "renameat", 87: "unlink", 263: "unlinkat", 83: "mkdir",
    258: "mkdirat", 84: "rmdir",
}  # fmt: skip
CHANGING = {"write", "pwrite", "create", "ftruncate", "fsync", "rename", "unlink", "mkdir"}


@dataclass
class Change:
    """One call that succeeded: what it did to which file. Folders and files have numbers that stay when
    they are renamed."""

    kind: str
    """write, truncate, create, mkdir, rename, unlink, fsync, told"""
    thing: int = -1
    folder: int = -1
    name: str = ""
    offset: int = 0
    data: bytes = b""
    from_folder: int = -1
    from_name: str = ""


@dataclass
class Tree:
    """What is known of the files below a root: numbers for things, names in folders."""

    root: Path
    names: dict[tuple[int, str], int] = field(default_factory=dict)
    folders: set[int] = field(default_factory=lambda: {0})
    changes: list[Change] = field(default_factory=list)
    newest: int = 0

    def place(self, path: str) -> tuple[int, str] | None:
        """(folder number, name) of a path below the root; None for any other, and for the root itself."""
        try:
            parts = Path(os.path.normpath(path)).relative_to(self.root).parts
        except ValueError:
            return None
        at = 0
        for part in parts[:-1]:
            at = self.names.get((at, part), -1)
        return (at, parts[-1]) if parts and at >= 0 else None

    def thing(self, path: str) -> int | None:
        if os.path.normpath(path) == str(self.root):
            return 0
        place = self.place(path)
        return None if place is None else self.names.get(place)

    def add(self, change: Change) -> None:
        place = (change.folder, change.name)
        if change.kind in ("create", "mkdir"):
            self.newest += 1
            change.thing = self.names[place] = self.newest
            if change.kind == "mkdir":
                self.folders.add(change.thing)
        elif change.kind == "rename":
            change.thing = self.names.pop((change.from_folder, change.from_name))
            self.names[place] = change.thing
        elif change.kind == "unlink":
            change.thing = self.names.pop(place)
        self.changes.append(change)


_LIBC = ctypes.CDLL(None, use_errno=True)
_LIBC.ptrace.argtypes = (ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p)
_LIBC.ptrace.restype = ctypes.c_long


class Traced:
    """A forked child whose changes below ``tree.root`` are recorded into `tree`.

    fail
        ``fail(number, kind)`` -> an errno with which the call that would be change `number` of this
        child fails, or None.
    kill_at
        The child is ended (SIGKILL) before its change of that number.
    """

    def __init__(
        self,
        tree: Tree,
        *,
        fail: Callable[[int, str], int | None] = lambda number, kind: None,
        kill_at: int | None = None,
    ) -> None:
        self.tree = tree
        self.count = 0
        self._fail = fail
        self._kill_at = kill_at
        self._open: dict[int, list[int]] = {}  # descriptor -> [thing, position]

    def run(self, work: Callable[[Callable[[str], None]], None]) -> int | None:
        """Fork, run ``work(tell)`` in the child; its exit status, None when it was ended here."""
        receive, send = os.pipe()
        self._tell = send
        pid = os.fork()
        if pid == 0:
            os.close(receive)
            _LIBC.ptrace(_TRACEME, 0, None, None)
            os.kill(os.getpid(), signal.SIGSTOP)
            status = 1
            try:
                work(lambda words: os.write(send, words.encode()) and None)
                status = 0
            except BaseException as error:
                os.write(send, f"error {type(error).__name__}: {error}"[:4000].encode())
            os._exit(status)
        self._pid = pid
        os.waitpid(pid, 0)
        _LIBC.ptrace(_SETOPTIONS, pid, None, _SYSGOOD | _EXITKILL)
        try:
            return self._follow()
        finally:
            os.close(receive)
            os.close(send)

    def _follow(self) -> int | None:
        entering, then, signalled = True, None, 0
        while True:
            _LIBC.ptrace(_SYSCALL, self._pid, None, signalled)
            _, status = os.waitpid(self._pid, 0)
            signalled = 0
            if os.WIFEXITED(status):
                return os.WEXITSTATUS(status)
            if os.WIFSIGNALED(status):
                return None
            if os.WSTOPSIG(status) != signal.SIGTRAP | 0x80:
                signalled = os.WSTOPSIG(status)
                continue
            if entering:
                then = self._entered()
            elif then is not None:
                then(self._result())
            entering = not entering

    # -- looking into the child --------------------------------------------------------------------

    def _registers(self) -> list[int]:
        held = (ctypes.c_char * _REGISTERS.size)()
        _LIBC.ptrace(_GETREGS, self._pid, None, ctypes.addressof(held))
        return list(_REGISTERS.unpack(bytes(held)))

    def _set(self, registers: list[int]) -> None:
        held = ctypes.create_string_buffer(_REGISTERS.pack(*registers))
        _LIBC.ptrace(_SETREGS, self._pid, None, ctypes.addressof(held))

    def _result(self) -> int:
        value = self._registers()[_RAX]
        return value - (1 << 64) if value >> 63 else value

    def _memory(self, at: int, size: int) -> bytes:
        with open(f"/proc/{self._pid}/mem", "rb", buffering=0) as memory:
            memory.seek(at)
            return memory.read(size)

    def _text(self, at: int) -> str:
        out = b""
        while b"\0" not in out:
            out += self._memory(at + len(out), 4096 - (at + len(out)) % 4096)
        return os.fsdecode(out.split(b"\0")[0])

    def _entered(self) -> Callable[[int], None] | None:
        """Look at a call that begins; what to do with its result, or None."""
        registers = self._registers()
        name = _NAMES.get(registers[_ORIG_RAX])
        if name is None:
            return None
        a, b, c, d = (registers[r] for r in (_RDI, _RSI, _RDX, _R10))
        found = getattr(self, f"_on_{name}")(a, b, c, d)
        if found is None:
            return None
        kind, then = found
        if kind in CHANGING:
            number, self.count = self.count, self.count + 1
            if self._kill_at is not None and number >= self._kill_at:
                os.kill(self._pid, signal.SIGKILL)
                return None
            error = self._fail(number, kind)
            if error is not None:
                registers[_ORIG_RAX] = (1 << 64) - 1
                self._set(registers)
                return lambda _result: self._refuse(error)
        return then

    def _refuse(self, error: int) -> None:
        registers = self._registers()
        registers[_RAX] = (1 << 64) - error
        self._set(registers)

    # -- each call: (kind, what to do with its result) -----------------------------------------------

    def _on_open(self, path: int, flags: int, _c: int, _d: int):
        where = self._text(path)
        thing, place = self.tree.thing(where), self.tree.place(where)
        creating = bool(flags & os.O_CREAT) and thing is None and place is not None
        if thing is None and not creating:
            return None

        def then(result: int) -> None:
            if result < 0:
                return
            if creating:
                self.tree.add(Change("create", folder=place[0], name=place[1]))
            elif flags & os.O_TRUNC:
                self.tree.add(Change("truncate", thing))
            self._open[result] = [self.tree.thing(where), 0]

        return ("create" if creating else "open"), then

    def _on_openat(self, _at: int, path: int, flags: int, mode: int):
        return self._on_open(path, flags, mode, 0)

    def _on_close(self, handle: int, *_rest: int):
        self._open.pop(handle, None)

    def _on_lseek(self, handle: int, *_rest: int):
        if handle not in self._open:
            return None

        def then(result: int) -> None:
            if result >= 0:
                self._open[handle][1] = result

        return "lseek", then

    def _on_write(self, handle: int, buffer: int, size: int, _d: int):
        data = self._memory(buffer, size) if handle in self._open or handle == self._tell else b""
        if handle == self._tell:
            self.tree.add(Change("told", data=data))
            return None
        if handle not in self._open:
            return None
        thing, position = self._open[handle]

        def then(result: int) -> None:
            if result > 0:
                self.tree.add(Change("write", thing, offset=position, data=data[:result]))
                self._open[handle][1] += result

        return "write", then

    def _on_pwrite(self, handle: int, buffer: int, size: int, offset: int):
        if handle not in self._open:
            return None
        thing, data = self._open[handle][0], self._memory(buffer, size)

        def then(result: int) -> None:
            if result > 0:
                self.tree.add(Change("write", thing, offset=offset, data=data[:result]))

        return "pwrite", then

    def _on_ftruncate(self, handle: int, size: int, *_rest: int):
        if handle not in self._open:
            return None
        thing = self._open[handle][0]
        return "ftruncate", self._when_done(Change("truncate", thing, offset=size))

    def _on_fsync(self, handle: int, *_rest: int):
        if handle not in self._open:
            return None
        return "fsync", self._when_done(Change("fsync", self._open[handle][0]))

    def _on_rename(self, old: int, new: int, *_rest: int):
        before, after = self.tree.place(self._text(old)), self.tree.place(self._text(new))
        if before is None or after is None:
            return None
        change = Change(
            "rename", folder=after[0], name=after[1], from_folder=before[0], from_name=before[1]
        )  # fmt: skip
        return "rename", self._when_done(change)

    def _on_renameat(self, _at: int, old: int, _to: int, new: int):
        return self._on_rename(old, new)

    def _on_unlink(self, path: int, *_rest: int):
        place = self.tree.place(self._text(path))
        if place is None or place not in self.tree.names:
            return None
        return "unlink", self._when_done(Change("unlink", folder=place[0], name=place[1]))

    def _on_unlinkat(self, _at: int, path: int, *_rest: int):
        return self._on_unlink(path)

    _on_rmdir = _on_unlink

    def _on_mkdir(self, path: int, *_rest: int):
        place = self.tree.place(self._text(path))
        if place is None:
            return None
        return "mkdir", self._when_done(Change("mkdir", folder=place[0], name=place[1]))

    def _on_mkdirat(self, _at: int, path: int, *_rest: int):
        return self._on_mkdir(path)

    def _when_done(self, change: Change) -> Callable[[int], None]:
        return lambda result: self.tree.add(change) if result >= 0 else None
