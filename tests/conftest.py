"""What all tests share: where their files go."""

import os
import shutil
import tempfile
from pathlib import Path

from hypothesis import settings

MEMORY = Path("/dev/shm")
ROOM_BYTES = 2 << 30
"""More than all tests of a run write."""

# programs that the tests start have a home of their own, where each would look through all fonts anew
os.environ.setdefault("MPLCONFIGDIR", str(Path(tempfile.gettempdir()) / "trimrig-tests-plots"))

# a database waits for the disk at every point of a sweep; in memory there is nothing to wait for
if MEMORY.is_dir() and os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ROOM_BYTES:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))

# the programs that tests start again and again are compiled once
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# no test is timed: computers are busy
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
