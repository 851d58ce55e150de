"""Several files, all or none of them: a full disk leaves what stood there before."""

from __future__ import annotations

from pathlib import Path

FRESH = ".fresh"


def write_whole(folder: Path, files: dict[str, bytes]) -> tuple[Path, ...]:
    """Write files into a folder that is there; their paths. OSError: none of them was changed,
    unless a rename itself fails, which needs no space."""
    fresh = [folder / (name + FRESH) for name in files]
    try:
        for path, content in zip(fresh, files.values(), strict=True):
            path.write_bytes(content)
    except OSError:
        for path in fresh:
            path.unlink(missing_ok=True)
        raise
    paths = tuple(folder / name for name in files)
    for path, target in zip(fresh, paths, strict=True):
        path.replace(target)
    return paths
