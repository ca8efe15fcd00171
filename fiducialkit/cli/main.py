"""The command `fiducialkit`: its commands, and what becomes of errors."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Sequence
from typing import Annotated, Any

import typer

from fiducialkit import __version__
from fiducialkit.cli import (
    budget,
    calibrate_lens,
    compare,
    detect,
    explore,
    new,
    print_board,
    render,
    search,
    show,
    solve,
)
from fiducialkit.errors import FiducialKitError

NAME = "fiducialkit"
DATA_FAILED, CALLERS_MISTAKE, STOPPED = 1, 2, 130
_OBJECTS_UNTIL_LOOKED_THROUGH = 50_000

app = typer.Typer(
    name=NAME,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
for command in (
    new.new, show.show, compare.compare, search.search, budget.budget, explore.explore, detect.detect, solve.solve,
    render.render, print_board.print_board, calibrate_lens.calibrate_lens,
):  # fmt: skip
    app.command()(command)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"{NAME} {__version__}")
        raise typer.Exit


@app.callback()
def _everything(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and stop.", callback=_print_version, is_eager=True)
    ] = False,
) -> None:
    """Choose camera mounts, find the robot's pose from square fiducial markers, and know how wrong it is.

    Exit status: 0 good; 1 the work ran and the data failed; 2 a mistake in the call, said in one line.
    """


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status.

    Parameters
    ----------
    arguments : sequence of str, optional
        The words after the command's name; those of this process if None.
    """
    # a command makes many objects and soon ends: looking for circles among them less often saves a tenth of its time
    gc.set_threshold(_OBJECTS_UNTIL_LOOKED_THROUGH, 20, 50)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a name with an accent must not end the run
    try:
        return _run(sys.argv[1:] if arguments is None else list(arguments))
    except FiducialKitError as error:
        return _complain(str(error))
    except typer.TyperException as error:
        return _complain(_usage_message(error))
    except (KeyboardInterrupt, typer.Abort):
        print(f"{NAME}: stopped", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        # whoever read the output has left; keep the interpreter from complaining about it at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DATA_FAILED
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        return _complain(f"{place}{error.strerror or error}")


def _run(arguments: list[str]) -> int:
    status: Any = typer.main.get_command(app).main(arguments, prog_name=NAME, standalone_mode=False)
    if status == STOPPED:  # typer turns Ctrl-C inside a command into this exit status, without a word
        raise KeyboardInterrupt
    return status if isinstance(status, int) else 0


def _complain(message: str) -> int:
    print(f"{NAME}: error: {' '.join(message.split())}", file=sys.stderr)
    return CALLERS_MISTAKE


def _usage_message(error: typer.TyperException) -> str:
    describe = getattr(error, "format_message", None)
    message = str(describe() if describe else error).strip().rstrip(".")
    context = getattr(error, "ctx", None)
    path = context.command_path if context else NAME
    return f"{message}; '{path} --help' lists what is known"
