"""How many examples the laws are held against: a quick look, unless the environment asks for more."""

from __future__ import annotations

import os

EFFORT = int(os.environ.get("EFFORT", "1"))
"""Times as many examples as in the quick look."""
