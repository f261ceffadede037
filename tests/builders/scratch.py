"""Where tests keep databases that nobody will miss: in memory where there is room, on the disk elsewhere."""

import os
import shutil
from pathlib import Path

MEMORY = Path("/dev/shm")
# Beyond what two processes' databases and write-ahead logs ever took.
ROOM_BYTES = 3_000_000_000


def scratch_folder() -> Path | None:
    """Return the folder to make temporary folders in, or None for the system's own."""
    if MEMORY.is_dir() and os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ROOM_BYTES:
        return MEMORY
    return None
