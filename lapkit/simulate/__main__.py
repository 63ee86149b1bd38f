"""``python -m lapkit.simulate FOLDER``: make the recordings of ``sample_data/`` again."""

from __future__ import annotations

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
    words = list(sys.argv[1:] if arguments is None else arguments)
    if len(words) != 1 or not Path(words[0]).is_dir():
        found = " ".join(words) or "nothing"
        print(f"expected one existing folder, found: {found}. Use: python -m lapkit.simulate FOLDER", file=sys.stderr)
        return 2
    for name, truth in demo_files(words[0]).items():
        times = ", ".join(f"{t:.3f}" for t in truth.laps["lap_time"])
        print(f"{Path(words[0]) / name}: true lap times {times} s")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
