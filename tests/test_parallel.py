"""Many pieces of work: order, seeds, stop and resume, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from fiducialkit.errors import FiducialKitError, FileFormatError, InputError
from fiducialkit.parallel import run_pieces, spawned_seeds


def drawn(scale, seed):
    return {"values": np.random.default_rng(seed).normal(0.0, scale, 3).tolist(), "seed": seed}


def failing(piece):
    raise InputError(f"piece: expected none, found {piece}")


class StopError(Exception):
    pass


def stop_after(count):
    def progress(done, _):
        if done >= count:
            raise StopError

    return progress


def test_results_come_in_order_and_are_the_same_on_any_number_of_workers():
    seeds = spawned_seeds(3, 7)
    one = run_pieces(drawn, seeds, common=(2.0,))
    assert [each["seed"] for each in one] == seeds
    assert one == [drawn(2.0, seed) for seed in seeds]  # floats pass through text unchanged
    assert run_pieces(drawn, seeds, common=(2.0,), workers=2) == one


def test_seeds_differ_and_do_not_depend_on_the_count():
    seeds = spawned_seeds(0, 1000)
    assert len(set(seeds)) == 1000
    assert spawned_seeds(0, 10) == seeds[:10]
    assert spawned_seeds(1, 10) != seeds[:10]


def test_stopped_work_goes_on_where_it_was(tmp_path):
    path, seeds = tmp_path / "caf\u00e9 pieces.jsonl", spawned_seeds(1, 6)
    with pytest.raises(StopError):
        run_pieces(drawn, seeds, common=(1.0,), progress=stop_after(3), kept_in=path)
    assert len(path.read_text(encoding="utf-8").splitlines()) == 3
    path.write_text(path.read_text(encoding="utf-8") + '{"work":"cut sh', encoding="utf-8")
    told = []
    found = run_pieces(
        drawn, seeds, common=(1.0,), progress=lambda done, total: told.append((done, total)), kept_in=path
    )
    assert told == [(3, 6), (4, 6), (5, 6), (6, 6)]  # three were not done again
    assert found == run_pieces(drawn, seeds, common=(1.0,))


def test_a_file_of_other_work_is_refused(tmp_path):
    path = tmp_path / "pieces.jsonl"
    run_pieces(drawn, [1, 2], common=(1.0,), kept_in=path)
    with pytest.raises(FileFormatError, match="line 1: expected pieces of this very work"):
        run_pieces(drawn, [1, 2], common=(2.0,), kept_in=path)
    path.write_text("once upon a time\n", encoding="utf-8")
    with pytest.raises(FileFormatError, match="line 1: expected a finished piece"):
        run_pieces(drawn, [1, 2], common=(1.0,), kept_in=path)


def test_errors_of_a_piece_come_out():
    with pytest.raises(InputError, match="piece: expected none, found 1"):
        run_pieces(failing, [1])


@pytest.mark.parametrize("workers", [0, -1, 1.5, True, "2"])
def test_no_such_workers(workers):
    with pytest.raises(InputError, match="workers"):
        run_pieces(drawn, [], workers=workers)


@pytest.mark.parametrize(("seed", "count"), [(-1, 1), (0, -1), (1.5, 1), (True, 1)])
def test_no_such_seeds(seed, count):
    with pytest.raises(InputError, match="whole number"):
        spawned_seeds(seed, count)


def test_a_scheduler_that_is_none_is_one_line():
    pytest.importorskip("dask.distributed", reason="the cluster's library is not installed")
    with pytest.raises(FiducialKitError, match="scheduler: expected"):
        run_pieces(drawn, [1], common=(1.0,), scheduler="nowhere")
