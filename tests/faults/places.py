"""Where the programs under test are, and how long the tests may take."""
import os
import pathlib
import sys

ROOT = pathlib.Path(__file__).resolve().parents[2]
BIN = pathlib.Path(sys.argv.pop(1)).resolve() if len(sys.argv) > 1 and os.path.isdir(sys.argv[1]) else ROOT / "build/bin"
LONG = os.environ.get("VANEWARD_LONG") == "1"
