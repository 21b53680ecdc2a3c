"""Run attacks, print what they found, and fail if they found anything.

Run: python -m benchmarks.attacks --all
     python -m benchmarks.attacks flips --count 200 --seed 7

Every module of this folder that has a function ``run(seed, count) -> list[str]`` is a part: it
returns one line a failure. ``COUNT`` is how many cases make the whole of it, and the first line
of its docstring says what is attacked.
"""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import sys
import time

import benchmarks.attacks as home

SHOWN = 20


def parts() -> dict:
    """The parts by name."""
    modules = {m.name: importlib.import_module(f"{home.__name__}.{m.name}")
               for m in pkgutil.iter_modules(home.__path__) if not m.name.startswith("_")}
    return {name: module for name, module in modules.items() if hasattr(module, "run")}


def main() -> int:
    """The number of failures, at most 1."""
    known = parts()
    parser = argparse.ArgumentParser(prog="python -m benchmarks.attacks", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("part", nargs="*", help=", ".join(known))
    parser.add_argument("--all", action="store_true", help="every part")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, help="cases; the whole part if not given")
    given = parser.parse_args()
    names = list(known) if given.all else given.part
    if not names or set(names) - set(known):
        parser.error("name parts, or --all; there are: " + ", ".join(known))
    print(f"{'part':<12}{'cases':>8}{'failures':>10}{'seconds':>9}  what is attacked")
    failures = {}
    for name in names:
        count = given.count or known[name].COUNT
        start = time.monotonic()
        failures[name] = known[name].run(given.seed, count)
        print(f"{name:<12}{count:>8}{len(failures[name]):>10}{time.monotonic() - start:>9.0f}  "
              + known[name].__doc__.splitlines()[0], flush=True)
    for name, found in failures.items():
        for line in found[:SHOWN]:
            print(f"{name}: {line}")
        if len(found) > SHOWN:
            print(f"{name}: and {len(found) - SHOWN} more")
    return int(any(failures.values()))


if __name__ == "__main__":
    sys.exit(main())
