"""How the command line speaks: results on standard output, everything else on standard error."""

import sys

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from rimekeep.errors import RimekeepError

# Wide enough for the widest table where no terminal says otherwise, so that a log reads like the screen.
out = Console(highlight=False, width=None if sys.stdout.isatty() else 110)
err = Console(stderr=True, highlight=False)


def complain(error: RimekeepError) -> None:
    """Print an error: the fact, then each fault with its mend."""
    err.print(error.detail, style="bold red", markup=False)
    for fault in error.faults:
        err.print(f"  {fault.field}: {fault.detail} {fault.mend}", markup=False)


def progress() -> Progress:
    """Return a progress bar on standard error, shown only to people."""
    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=err,
        disable=not err.is_terminal,
    )
