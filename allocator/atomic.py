"""Writing a file whole or not at all: the old file stands until the new one is complete."""

from __future__ import annotations

import contextlib
import os
import secrets
import stat


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write text (UTF-8, line ends as they are) to ``path``, old or new, never half.

    Raises:
        OSError: the file could not be written; the old file, if any, is untouched.
    """
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: str | os.PathLike[str], data: bytes) -> None:
    """Write bytes to ``path``, old or new, never half.

    The bytes go to a new file in the same folder, which then takes the place of the old one
    in one step. A link is followed, and the old file's permissions are kept.

    Raises:
        OSError: the file could not be written; the old file, if any, is untouched.
    """
    target = os.path.realpath(path)
    folder, name = os.path.split(target)
    part = os.path.join(folder, f".{name}.{secrets.token_hex(6)}.part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        with contextlib.suppress(FileNotFoundError):
            os.chmod(part, stat.S_IMODE(os.stat(target).st_mode))
        os.replace(part, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(part)
        raise
    _keep_name(folder)


def _keep_name(folder: str) -> None:
    # The new name is safe against a power cut only once the folder is written as well; not
    # every system can open a folder for that, and the file itself is whole either way.
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
