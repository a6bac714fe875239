"""What all tests share."""

import os
import tempfile
from pathlib import Path

# programs that the tests start have a home of their own, where each would look through all fonts anew
os.environ.setdefault("MPLCONFIGDIR", str(Path(tempfile.gettempdir()) / "trimrig-tests-plots"))
