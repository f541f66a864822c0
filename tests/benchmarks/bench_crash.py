"""Crashes: a batch is killed (SIGKILL) at fifty random moments; afterwards nothing is lost, doubled or inconsistent.

    python tests/benchmarks/bench_crash.py [--kills 50] [--boards 1000] [--seed 7] [--only sqlite|postgresql]
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "records"), str(Path(__file__).parents[2])]

from killing import finish, kills, look  # noqa: E402
from postgres_server import PostgresServer, programs  # noqa: E402


def crash(name: str, where: str, folder: Path, args: argparse.Namespace) -> bool:
    """Kill, finish and verify; print one line."""
    (folder / name).mkdir()
    worst = 0
    for number, left in enumerate(kills(where, folder / name, args.boards, args.kills, args.seed), start=1):
        worst = max(worst, left.differences)
        print(f"  {name}: kill {number}, {left.boards} boards, {left.differences} differences", file=sys.stderr,
              flush=True)
    total, different, lines = finish(where, folder / name, args.boards)
    differences = look(where).differences
    good = worst == differences == 0 and total == different == lines == args.boards
    print(f"{name}: {args.kills} kills, then {total} inspections of {different} of {args.boards} boards, {lines} "
          f"disposition lines, {max(worst, differences)} differences found by verification   "
          f"{'ok' if good else 'MISSED'}")
    return good


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--boards", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--only", choices=("sqlite", "postgresql"))
    args = parser.parse_args()
    results = []
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        if args.only != "postgresql":
            results.append(crash("sqlite", str(folder / "r.sqlite"), folder, args))
        if args.only != "sqlite" and programs() is not None:
            server = PostgresServer(durable=True)
            try:
                results.append(crash("postgresql", server.new_database(), folder, args))
            finally:
                server.stop()
    sys.exit(0 if results and all(results) else 1)


if __name__ == "__main__":
    main()
