"""``python3 -m monitor COMMAND``: the command line. In a clone it first makes its own environment."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from monitor.environment import ROOT, ensure_environment


def main() -> int:
    """Run the command line, in a fresh clone from the environment made for it."""
    if (ROOT / "pyproject.toml").exists():
        python = ensure_environment()
        if python != Path(sys.executable):
            os.execv(python, [str(python), "-m", "monitor.cli", *sys.argv[1:]])
    from monitor.cli import main as run

    return run()


if __name__ == "__main__":
    sys.exit(main())
