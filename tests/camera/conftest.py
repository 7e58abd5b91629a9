"""Lets the tests here import the makers of scenes beside them."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
