"""``python -m tests.bench [NAME ...] [--json] [--quick | --long]``: one table, every row a ratio.

A ratio says how many times cheaper ours is than the reference beside it, measured in the same run
in turns; below 1 ours is dearer. Costs are medians. Nothing here asserts anything about time.
"""

from __future__ import annotations

import argparse
import json
import sys

from tests.bench.row import Form
from tests.bench.table import BENCHES, HEAD, line, machine, measured


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of: {', '.join(BENCHES)}")
    parser.add_argument("--json", action="store_true", help="for machines")
    parser.add_argument("--quick", action="store_true", help="smallest form: does it run?")
    parser.add_argument("--long", action="store_true", help="a million frames and the like")
    given = parser.parse_args()
    unknown = set(given.names) - set(BENCHES)
    if unknown:
        parser.error(f"no such bench: {', '.join(sorted(unknown))}")
    form = Form.QUICK if given.quick else Form.LONG if given.long else Form.USUAL
    found = measured(given.names or BENCHES, form)
    if given.json:
        rows = [row.plain() for row in found]
        json.dump({"machine": machine(), "rows": rows}, sys.stdout, indent=1)
        print()
        return
    print("; ".join(f"{name} {value}" for name, value in machine().items()))
    print(HEAD)
    for row in found:
        print(line(row), flush=True)


if __name__ == "__main__":
    main()
