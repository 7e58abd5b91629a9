"""A process that holds a supervisor and nothing else, for tests that kill it: ``serve_alone.py HOME WORKERS [URL]``."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from midstance.records.home import Home
from midstance.records.schema import open_records
from midstance.workers.supervisor import Supervisor

home = Home(Path(sys.argv[1]))
url = sys.argv[3] if len(sys.argv) > 3 else None
open_records(home, url).close()
supervisor = Supervisor(home, url, workers=int(sys.argv[2]), tasks="fake_tasks")
supervisor.start()
print("started", flush=True)
while True:
    time.sleep(1)
