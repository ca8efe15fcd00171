"""One way to run many pieces of work: on this machine's processors or a cluster's, in order, stopped and resumed.

A piece is computed from itself alone, its random numbers from a seed of its own (`spawned_seeds`), and results come
back in the order of the pieces: they are the same on one worker, on twenty, and after a stop.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import joblib
import numpy as np

from fiducialkit.errors import FiducialKitError, FileFormatError, InputError

Progress = Callable[[int, int], Any]


def spawned_seeds(seed: int, count: int) -> list[int]:
    """Return a seed for each of `count` pieces; the first ones do not depend on how many there are.

    Raises
    ------
    InputError
        If seed or count is no whole number from 0 up.
    """
    for name, value in (("seed", seed), ("count", count)):
        if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < 0:
            raise InputError(f"{name}: expected a whole number from 0 up, found {value!r}")
    children = np.random.SeedSequence(int(seed)).spawn(int(count))
    return [int(child.generate_state(1, np.uint64)[0] >> 1) for child in children]


def run_pieces(
    work: Callable[..., Any],
    pieces: Sequence[Any],
    *,
    common: tuple[Any, ...] = (),
    workers: int | None = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
    kept_in: str | Path | None = None,
) -> list[Any]:
    """Return ``work(*common, piece)`` for each piece, in order.

    Parameters
    ----------
    work : callable
        At the top of a module, so that other processes find it. Its results are numbers, texts, None, and lists and
        dictionaries of these, which is what a file keeps.
    pieces : sequence
    common : tuple
        What all pieces share.
    workers : int or None
        Processes on this machine; 1 runs here, None takes a process for each processor.
    scheduler : str, optional
        Address of a dask scheduler whose workers do the work instead, such as ``tcp://10.0.0.5:8786``.
        Its workers are a third faster where they keep memory: start them with MALLOC_TRIM_THRESHOLD_ and
        MALLOC_MMAP_THRESHOLD_ set to 1073741824 (dask sets the first to 65536).
    progress : callable, optional
        Called with (done, all) as pieces finish; whatever it raises stops the work.
    kept_in : path, optional
        A file of finished pieces, a line each. What it holds of the same work is not done again.

    Raises
    ------
    InputError
        If `workers` is no number of processes.
    FileFormatError
        If the file is of other work, with its place.
    FiducialKitError
        If the cluster's library is missing, or its scheduler does not answer.
    """
    if workers is not None and (isinstance(workers, bool) or not isinstance(workers, int) or workers < 1):
        raise InputError(f"workers: expected a whole number from 1 up, found {workers!r}")
    total, stamp = len(pieces), "" if kept_in is None else _stamp(work, common, pieces)
    results = {} if kept_in is None else _read_kept(Path(kept_in), stamp)
    left = [number for number in range(total) if number not in results]
    if progress is not None:
        progress(total - len(left), total)
    with _backend(scheduler):
        jobs = (joblib.delayed(_one)(work, common, pieces[number]) for number in left)
        crew = joblib.Parallel(n_jobs=-1 if scheduler or workers is None else workers, return_as="generator")
        for number, text in zip(left, _closing(crew(jobs)), strict=True):
            results[number] = json.loads(text)
            if kept_in is not None:
                _keep(Path(kept_in), stamp, number, text)
            if progress is not None:
                progress(len(results), total)
    return [results[number] for number in range(total)]


def _closing(results: Any) -> Iterator[Any]:
    """Yield the results; leaving early cancels what has not begun."""
    try:
        yield from results
    finally:
        if hasattr(results, "close"):
            results.close()


def _one(work: Callable[..., Any], common: tuple[Any, ...], piece: Any) -> str:
    # as text, so that a result is the same whether it was just computed or read back from a file
    return json.dumps(work(*common, piece), separators=(",", ":"))


@contextmanager
def _backend(scheduler: str | None) -> Iterator[None]:
    if scheduler is None:
        yield
        return
    try:
        from dask import distributed
    except ImportError:
        raise FiducialKitError(
            "scheduler: expected the package dask[distributed] for a cluster, found none; install fiducialkit[cluster]"
        ) from None
    connect: Any = distributed.Client  # untyped: it need not be installed
    try:
        client = connect(scheduler, timeout="15s", set_as_default=True)
    except (OSError, ValueError) as error:
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise FiducialKitError(f"scheduler: expected one that answers at '{scheduler}', found: {first}") from None
    with client, joblib.parallel_config(backend="dask"):
        yield


def _stamp(work: Callable[..., Any], common: tuple[Any, ...], pieces: Sequence[Any]) -> str:
    digest = hashlib.sha256(f"{work.__module__}.{work.__qualname__}".encode())
    digest.update(joblib.hash((common, list(pieces))).encode())
    return digest.hexdigest()[:16]


def _read_kept(path: Path, stamp: str) -> dict[int, Any]:
    """Return the finished pieces of a file; a last line cut short by a stop is left out."""
    if not path.exists():
        return {}
    found: dict[int, Any] = {}
    lines = path.read_text(encoding="utf-8").split("\n")
    for number, line in enumerate(lines[:-1], start=1):
        try:
            entry = json.loads(line)
            whose, piece, result = entry["work"], int(entry["piece"]), entry["result"]
        except (ValueError, KeyError, TypeError):
            raise FileFormatError(path, f"line {number}", "expected a finished piece of work, found none") from None
        if whose != stamp:
            raise FileFormatError(
                path, f"line {number}", "expected pieces of this very work, found another study, count or seed"
            )
        found[piece] = result
    if lines[-1]:
        path.write_text("\n".join([*lines[:-1], ""]), encoding="utf-8", newline="\n")
    return found


def _keep(path: Path, stamp: str, piece: int, text: str) -> None:
    with path.open("a", encoding="utf-8", newline="\n") as file:
        file.write(f'{{"work":"{stamp}","piece":{piece},"result":{text}}}\n')
