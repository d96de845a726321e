"""``python -m tests.benchmarks.fuzz --mutants 100000``: wrong files without number, see ``tests.fuzzing``.

``--keep DIR`` writes the files of each finding, to be made small and kept in ``tests/found``; ``--again
KIND:NUMBER`` makes one mutant again and shows where it fails.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from tests.fuzz_seeds import KINDS
from tests.fuzzing import mutated, trial, verdict_on


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--mutants", type=int, default=100_000)
    ask.add_argument("--seed", type=int, default=0)
    ask.add_argument("--first", type=int, default=0, help="number of the first mutant")
    ask.add_argument("--kinds", nargs="*", default=list(KINDS), choices=list(KINDS))
    ask.add_argument("--keep", type=Path, help="folder for the files of findings")
    ask.add_argument("--again", help="KIND:NUMBER")
    given = ask.parse_args()
    if given.again:
        kind, _, number = given.again.partition(":")
        folder = given.keep or Path(f"mutant-{kind}-{number}")
        folder.mkdir(parents=True, exist_ok=True)
        print(verdict_on(kind, mutated(kind, given.seed, int(number)), folder))
        return
    begun, used, step = time.monotonic(), time.process_time(), 1000
    for first in range(given.first, given.first + given.mutants, step):
        count = min(step, given.first + given.mutants - first)
        report = trial(given.kinds, count, given.seed, first)
        print(f"from {first:,}: {report}", flush=True)
        for finding in report.findings:
            print(f"  {finding}", flush=True)
            if given.keep:
                folder = given.keep / f"{finding.kind}-{finding.number}"
                folder.mkdir(parents=True, exist_ok=True)
                for name, content in mutated(finding.kind, given.seed, finding.number).items():
                    (folder / name).write_bytes(content)
    print(f"{time.monotonic() - begun:.0f} s, of this process {time.process_time() - used:.0f} s CPU")


if __name__ == "__main__":
    main()
