"""Where the link's socket stands, and how it is opened: local, and for this user alone."""

from __future__ import annotations

import os
import socket
import stat
import struct
import tempfile
from pathlib import Path

from firmware_py.errors import LineholdError

LONGEST = 107  # bytes of a socket's path, sockaddr_un of Linux less its closing zero
BACKLOG = 16
NAME = "linehold.sock"


class AddressError(LineholdError, OSError):
    """The link cannot be opened there."""


def default_path() -> Path:
    """In the user's own runtime folder, else in a folder of this user's among temporary files."""
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    if runtime and Path(runtime).is_dir():
        return Path(runtime) / NAME
    return Path(tempfile.gettempdir()) / f"linehold-{os.getuid()}" / NAME


def listen(path: Path) -> socket.socket:
    """A listening socket that only this user can reach; a dead one's name is taken over."""
    if len(os.fsencode(path)) > LONGEST:
        raise AddressError(f"the link's path {path} is longer than {LONGEST} bytes; take a shorter")
    server = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    try:
        _own_folder(path.parent)
        refuse_in_use(path)
        _clear(path)
        before = os.umask(0o177)
        try:
            server.bind(str(path))
        finally:
            os.umask(before)
        server.listen(BACKLOG)
    except OSError as error:
        server.close()
        if isinstance(error, AddressError):
            raise
        why = error.strerror or str(error)
        raise AddressError(f"the link {path} cannot be opened: {why}") from error
    server.setblocking(False)
    return server


def _own_folder(folder: Path) -> None:
    """Others must not be able to put a socket of their own in the place of ours."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    found = folder.stat()
    others = found.st_mode & (stat.S_IWGRP | stat.S_IWOTH) and not found.st_mode & stat.S_ISVTX
    if found.st_uid not in {os.getuid(), 0} or others:
        raise AddressError(
            f"the folder {folder} of the link can be written by others; take another"
        )


def _clear(path: Path) -> None:
    """Remove what a killed loop left; never a file that is something else."""
    if path.is_socket():
        path.unlink()
    elif path.exists():
        raise AddressError(f"{path} is not a socket; the link must not overwrite it")


def refuse_in_use(path: Path) -> None:
    """AddressError when a loop listens there already."""
    if _answers(path):
        raise AddressError(f"{path} is in use by a running controller; end that one first")


def _answers(path: Path) -> bool:
    """Whether somebody listens at a path."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as probe:
        probe.settimeout(0.2)
        try:
            probe.connect(str(path))
        except OSError:
            return False
        return True


def same_user(connection: socket.socket) -> bool:
    """The socket's mode says so already; this asks the kernel as well."""
    raw = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    return struct.unpack("3i", raw)[1] in {os.getuid(), 0}
