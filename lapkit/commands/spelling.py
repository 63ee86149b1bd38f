"""The command line's own spelling of what the library asks for in that of Python."""

from __future__ import annotations

import re

_OPTIONS = ("start_line", "columns", "track", "tyre_age", "fuel_effect", "order", "names", "ratios", "circumference",
            "final_drives", "final_drive", "top_gears", "rev_limit", "restart_speed", "sheet")  # fmt: skip
_FILE = "--columns FILE.toml that holds, below a line [columns], "
_KEY = re.compile(r"""["'](\w+)["']: """)
_PAIR = re.compile(r"""["']([^"']+)["']: ["']?([^"',{}]+)["']?""")


def spoken(text: str) -> str:
    """Say in the spelling of the command line what the library says in that of Python; other text stays as it is.

    Examples
    --------
    >>> spoken("name it with load(..., columns={'throttle': '<header>'}).")
    'name it with --columns "throttle=<header>".'
    >>> spoken('the same line again: start_line="131.20,40.70,30.00deg"')
    'the same line again: --start-line "131.20,40.70,30.00deg"'
    >>> spoken('columns={"throttle": {"column": "TPS", "zero": ..., "full": ...}}')
    '--columns FILE.toml that holds, below a line [columns], throttle = {column = "TPS", zero = ..., full = ...}'
    """
    if "=" not in text and "max_bytes" not in text:
        return text
    text = re.sub(r"\bload\(\.\.\., (.*?)\)(?=[\s.,;:]|$)", r"\1", text)
    text = re.sub(r"""\bcolumns=\{(["']\w+["']: \{.*?\})\}""", lambda found: _FILE + _KEY.sub(r"\1 = ", found[1]), text)
    text = re.sub(r"\bcolumns=\{(.*?)\}", _columns, text)
    text = re.sub(
        r"""\bunits=\{["']speed["']: ["']?([^"']*?)["']?\}(?: or --speed-units)?""", r"--speed-units \1", text
    )
    text = re.sub(r"\bunits=\{(.*?)\}", _units, text)
    text = re.sub(r"\bfull_throttle=\.\.\.", f'{_FILE}throttle = {{column = "<header>", zero = 0, full = ...}}', text)
    text = re.sub(r"\bunits=(?=')", "--speed-units ", text).replace("units=", "--speed-units")
    text = re.sub(r",? or raise max_bytes [^.]*", "", text).replace("max_bytes = ", "")
    text = re.sub(r"\btrack=\w+\.track\b", "--track FILE", text).replace("find_oddities=False", "--all-laps")
    return re.sub(rf"""(?<![\w-])({"|".join(_OPTIONS)})=(?=(["'\w(\[<]|\.\.)?)""", _option, text)


def _columns(found: re.Match[str]) -> str:
    pairs = [f"{channel}={header}" for channel, header in _PAIR.findall(found[1])]
    return f'--columns "{",".join(pairs)}"'


def _units(found: re.Match[str]) -> str:
    pairs = _PAIR.findall(found[1])
    return _FILE + " and ".join(f'{channel} = {{column = "<header>", unit = "{unit}"}}' for channel, unit in pairs)


def _option(found: re.Match[str]) -> str:
    return f"--{found[1].replace('_', '-')}{' ' if found[2] else ''}"
