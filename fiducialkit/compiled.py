"""One decorator for every compiled kernel, with a cache that notices edits and may fail freely.

numba's own cache looks at the file of the compiled function only: a kernel that calls one from another file
keeps running the old callee after an edit. Here the cache folder is named after the content of every
source file that holds kernels, so any edit makes a fresh folder. A cache that cannot be written is
left out; the kernels then compile anew in each process.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numba

Function = Callable[..., Any]

_OPTIONS: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
_CONFIG: Any = numba.config
_PACKAGE = Path(__file__).parent
_USES_KERNEL = re.compile(rb"^from fiducialkit\.compiled import .*\bkernel\b", re.MULTILINE)
_STALE_AFTER_S = 30 * 24 * 3600.0


def _kernel_stamp() -> str:
    """Return a digest of numba's version, the options and every source file that uses `kernel`.

    Raises
    ------
    OSError
        If there are none to be read: a zipped or source-less installation, whose edits would go unnoticed.
    """
    digest = hashlib.sha256(numba.__version__.encode() + repr(_OPTIONS).encode())
    count = 0
    for path in sorted(_PACKAGE.rglob("*.py")):
        content = path.read_bytes()
        if _USES_KERNEL.search(content):
            digest.update(content)
            count += 1
    if count == 0:
        raise OSError(f"no source of kernels under {_PACKAGE}")
    return digest.hexdigest()[:16]


def _candidate_roots() -> list[Path]:
    home = os.environ.get("LOCALAPPDATA") or os.environ.get("XDG_CACHE_HOME")
    user = Path(home) if home else Path.home() / ".cache"
    return [_PACKAGE / "__pycache__", user / "fiducialkit"]


def _is_writable(folder: Path) -> bool:
    probe = folder / f"probe-{os.getpid()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe.write_bytes(b"")
        probe.unlink()
    except OSError:
        return False
    return True


def _remove_stale(root: Path, keep: str) -> None:
    for folder in root.glob("kernels-*"):
        if folder.name != keep and time.time() - folder.stat().st_mtime > _STALE_AFTER_S:
            shutil.rmtree(folder, ignore_errors=True)


def cache_folder(roots: list[Path] | None = None) -> Path | None:
    """Return the folder the compiled kernels are kept in, or None where nothing can be written."""
    name = f"kernels-{_kernel_stamp()}"
    for root in _candidate_roots() if roots is None else roots:
        folder = root / name
        is_new = not folder.exists()
        if _is_writable(folder):
            if is_new:
                _remove_stale(root, keep=name)
            return folder
    return None


try:
    _CACHE_FOLDER = cache_folder()
except (OSError, RuntimeError):  # no home folder, no source to be read
    _CACHE_FOLDER = None


def kernel(
    function: Function | None = None,
    *,
    reorders_sums: bool = False,
    is_inlined: bool = False,
    allocates: bool = True,
) -> Function:
    """Compile `function` with numba: no Python objects, no interpreter lock, x / 0 as numpy has it, cached on disk.

    With `reorders_sums` sums may be taken in another order, which lets them run several at a time; the last digits
    then hang on the machine. `is_inlined` puts the body where it is called. A kernel that `allocates` nothing, no array
    and no view of one, need not count who holds its arrays, which inside a loop over inlined ones is half the time.
    """
    if function is None:
        return partial(kernel, reorders_sums=reorders_sums, is_inlined=is_inlined, allocates=allocates)
    options = _OPTIONS | ({"fastmath": {"reassoc", "contract", "nsz"}} if reorders_sums else {})
    options |= ({"inline": "always"} if is_inlined else {}) | ({} if allocates else {"_nrt": False})
    compiled: Function
    if _CACHE_FOLDER is None:
        compiled = numba.njit(**options)(function)
        return compiled
    previous = _CONFIG.CACHE_DIR
    _CONFIG.CACHE_DIR = str(_CACHE_FOLDER)
    try:
        compiled = numba.njit(cache=True, **options)(function)
        return compiled
    except RuntimeError:
        compiled = numba.njit(**options)(function)
        return compiled
    finally:
        _CONFIG.CACHE_DIR = previous
