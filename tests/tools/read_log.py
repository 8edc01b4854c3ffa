"""Reads a log with pyarrow and does nothing with it, for the page of benchmarks.

usage: read_log.py LOG > result.json

The result says how long reading took, on as many threads as pyarrow likes, and how many rows there were. Without pyarrow
it is {"missing": "pyarrow"}.
"""

import json
import sys
import time

try:
    import pyarrow
    from pyarrow import csv
except ImportError as missing:
    json.dump({"missing": missing.name.split(".")[0]}, sys.stdout)
    sys.exit()

start = time.perf_counter()
rows = csv.read_csv(sys.argv[1]).num_rows
seconds = time.perf_counter() - start
json.dump({"seconds": seconds, "rows": rows, "version": "pyarrow " + pyarrow.__version__}, sys.stdout)
