"""``python -m lapkit.simulate FOLDER``: make the recordings of ``sample_data/`` again."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from lapkit.simulate.demo import demo_files


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the demo files into the folder named on the command line.

    Parameters
    ----------
    arguments : sequence of str, optional
        Command line without the program's name; None for the process's own.

    Returns
    -------
    int
        Exit status: 0, or 2 where the folder is missing.

    Examples
    --------
    >>> main(["no such folder"])
    2
    """
    parser = argparse.ArgumentParser(
        prog="python -m lapkit.simulate",
        description="Make the invented recordings of sample_data/ again: fictional tracks, drivers and numbers.",
        epilog="example: python -m lapkit.simulate sample_data",
    )
    parser.add_argument(
        "folder", metavar="FOLDER", type=Path, help="an existing folder; files of the same names are replaced"
    )
    folder = parser.parse_args(arguments).folder
    if not folder.is_dir():
        print(f"{parser.prog}: there is no folder '{folder}'; make it first, or choose another", file=sys.stderr)
        return 2
    for name, truth in demo_files(folder).items():
        times = ", ".join(f"{t:.3f}" for t in truth.laps["lap_time"])
        print(f"{folder / name}: true lap times {times} s")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
