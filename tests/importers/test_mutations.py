"""Damaged copies of the sample recordings: whatever is done to a file, it is read or refused in words.

A longer run, from the root of the repository: python tests/importers/test_mutations.py SEED SECONDS
"""

import random
import sys
import time
from pathlib import Path

import pytest

from lapkit.errors import LapkitError
from lapkit.importers.csv import read_csv

SAMPLES = Path(__file__).parents[2] / "sample_data"
SIGNS = [
    *(b'"', b",", b";", b"\t", b"\n", b"\r", b"\x00", b"nan", b"inf", b"-", b"1e999", b"\xff", b"#", b"'", b"9" * 30),
    *(b'""', b"\n\n\n", b'"\n', b',"', b"\xef\xbb\xbf", b" ", b":", b"-1e308", b"[V]", b"(", b"\xc3\xa9"),
]


def heads() -> list[bytes]:
    files = (SAMPLES / name for name in ("oval_run.csv", "oval_awkward.csv"))
    return [b"".join(file.read_bytes().splitlines(keepends=True)[:400]) for file in files]


def damaged(rng: random.Random, whole: bytes) -> bytes:
    """Copy with bytes put in, taken out and written over, some of them in the first lines."""
    data = bytearray(whole)
    if rng.random() < 0.3:
        data = bytearray(b"".join(data.splitlines(keepends=True)[: rng.choice([1, 2, 3, 5, 10, 60, 200])]))
    for _ in range(rng.choice([1, 2, 5, 30])):
        at = rng.randrange(max(min(len(data), len(data) if rng.random() < 0.7 else 400), 1))
        what = rng.random()
        if what < 0.45:
            data[at:at] = rng.choice(SIGNS)
        elif what < 0.65:
            del data[at : at + rng.choice([1, 10, 1000, 20000])]
        elif what < 0.75 and len(data) < 60000:
            data = data.replace(rng.choice(SIGNS), rng.choice(SIGNS), rng.choice([1, 10, -1]))
        else:
            data[at : at + rng.choice([1, 3, 8])] = rng.choice(SIGNS)
    return bytes(data[:200_000]) or b"x"


def check(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    try:
        read_csv(path)
    except LapkitError as error:
        return type(error).__name__ if "\n" not in str(error) else f"more than one line: {error}"
    return "read"


@pytest.mark.parametrize("seed", range(5))
def test_damaged_files_are_read_or_refused(tmp_path, seed):
    rng = random.Random(seed)
    whole = heads()
    ends = {check(tmp_path / "run.csv", damaged(rng, rng.choice(whole))) for _ in range(60)}
    assert ends == {"read", "FileError", "ColumnError"}


def test_one_row_that_a_quote_swallows_is_refused(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text('a,b\n"x,1\n')
    with pytest.raises(LapkitError, match=r"1 of 1 lines do not fit the table of 2 columns that begins in line 2"):
        read_csv(path)


if __name__ == "__main__":
    rng, whole, until, count = random.Random(int(sys.argv[1])), heads(), time.monotonic() + float(sys.argv[2]), 0
    while time.monotonic() < until:
        data = damaged(rng, rng.choice(whole))
        count += 1
        try:
            check(Path("damaged.csv"), data)
        except Exception:
            print(f"case {count} is left in damaged.csv")
            raise
    Path("damaged.csv").unlink()
    print(f"{count} damaged files, each read or refused")
