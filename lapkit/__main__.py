"""The command line: a thin face over the functions of the library."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Sequence

from lapkit import __version__
from lapkit.commands import best, compare, gears, lines, look, run, setup, track
from lapkit.commands.common import UNITS, Commands, Parser, check_outputs
from lapkit.commands.spelling import spoken
from lapkit.errors import DataWarning, LapkitError


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status: 0, or 2 after one line on stderr.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments; those of the process by default.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal that cannot show a sign still shows the rest
    parser = _parser()
    args = parser.parse_args(_joined(list(sys.argv[1:] if argv is None else argv)))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DataWarning)  # they are printed as notes, or listed in the JSON
            check_outputs(args)
            args.run(args)
            sys.stdout.flush()
    except LapkitError as error:
        from lapkit.model.show import plain

        print(f"lapkit: {spoken(plain(str(error)))}", file=sys.stderr)
        return 2
    except BrokenPipeError:  # the reader, such as head, has seen enough
        sys.stdout = None
        return 0
    except OSError as error:
        print(f"lapkit: {error.filename or 'output'}: {error.strerror or error}", file=sys.stderr)
        return 2
    return 0


def _joined(argv: list[str]) -> list[str]:
    """Let a start line begin with a minus sign: join it to its option."""
    out: list[str] = []
    for word in argv:
        if out and out[-1] == "--start-line":
            out[-1] = f"--start-line={word}"
        else:
            out.append(word)
    return out


def _parser() -> Parser:
    parser = Parser(
        prog="lapkit",
        description="Where and why a lap was slower, from a CSV recording.",
        epilog=f"{UNITS} 'lapkit COMMAND --help' says more of each command.",
    )
    parser.add_argument("--version", action="version", version=f"lapkit {__version__}")
    commands = Commands(parser)
    for module in (look, compare, best, lines, track, gears, run, setup):
        module.register(commands)
    return parser


if __name__ == "__main__":
    raise SystemExit(main())
