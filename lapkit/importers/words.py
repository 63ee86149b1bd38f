"""Cells that hold words where numbers are meant: gears, lap numbers, clock times."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from lapkit.channels import is_discrete
from lapkit.importers.columns import Columns
from lapkit.importers.raw import RawTable
from lapkit.importers.stamps import read_stamps
from lapkit.model.recording import Provenance
from lapkit.model.show import counted

FloatArray = NDArray[np.float64]


def count_words(raw: RawTable, columns: Columns, provenance: Provenance) -> None:
    """Turn words into numbers: "N" is gear 0, "R" is -1, "Lap 3" is 3, "1:02.5" is 62.5 s on the lap clock.

    Parameters
    ----------
    raw : RawTable
        The file as read; columns of words that mean numbers become numbers, in place.
    columns : Columns
        Tells which columns are meant.
    provenance : Provenance
        Receives what was made of words without a number.
    """
    for channel, choice in columns.channels.items():
        if choice.header not in raw.texts:
            continue
        if channel == "lap_clock" and (stamps := read_stamps(raw, choice, columns)) is not None:
            raw.numbers[choice.header] = stamps.seconds
            del raw.texts[choice.header]
        if not is_discrete(channel):
            continue
        cells = raw.texts.pop(choice.header).cast(pa.string()).combine_chunks().dictionary_encode()
        words = [str(word).strip() for word in cells.dictionary.to_pylist()]
        numbers = _numbers(words, gear=channel == "gear")
        code = np.array(pc.fill_null(cells.indices, len(words)).to_numpy(zero_copy_only=False), dtype=np.intp)
        if channel == "lap" and np.isnan(numbers).any():
            raw.numbers[choice.header] = _laps(choice.header, words, numbers, code, provenance)
            continue
        values = np.append(numbers, np.nan)[code]
        raw.numbers[choice.header] = values
        unread = int(np.isnan(values).sum()) - cells.null_count
        if unread:
            provenance.warnings.append(
                f"'{choice.header}': {counted(unread, 'cell')} without a number left blank in {channel}."
            )


def _numbers(words: list[str], *, gear: bool) -> FloatArray:
    """The first number in each word, NaN where there is none; a dash is a minus only before all else."""
    digits = pc.extract_regex(pa.array(words, pa.string()), r"(?P<digits>(?:^-)?\d+)")
    values = np.array(
        pc.cast(pc.struct_field(digits, "digits"), pa.float64()).to_numpy(zero_copy_only=False), np.float64
    )
    if gear:
        for i, word in enumerate(words):
            values[i] = {"N": 0.0, "R": -1.0}.get(word.upper(), values[i])
    return values


def _laps(
    header: str, words: list[str], numbers: FloatArray, code: NDArray[np.intp], provenance: Provenance
) -> FloatArray:
    """Numbers of laps some of which are named by a word alone, such as "Out": the number before or after.

    Where there is no number free between the laps before and after, all are numbered in driving order.
    """
    blank = code == len(words)
    if blank.all():
        return np.full(len(code), np.nan)
    row = np.arange(len(code))
    last = np.maximum.accumulate(np.where(blank, -1, row))
    code = np.where(blank, code[np.where(last >= 0, last, np.argmin(blank))], code)
    start = np.flatnonzero(np.diff(code, prepend=-1))
    lap = numbers[code[start]]
    named = ", ".join(f"'{words[i]}'" for i in dict.fromkeys(code[start][np.isnan(lap)].tolist()))
    if len(start) > max(0.1 * len(code), 2):
        provenance.warnings.append(f"'{header}' holds words that change too often to be laps; left out.")
        return np.full(len(code), np.nan)
    known = np.flatnonzero(np.isfinite(lap))
    for i in np.flatnonzero(np.isnan(lap)):  # a handful: the out-laps and in-laps of a recording
        before, after = known[known < i], known[known > i]
        if before.size:
            lap[i] = lap[before[-1]] + (i - before[-1])
        elif after.size:
            lap[i] = lap[after[0]] - (after[0] - i)
        else:
            lap[i] = i + 1
    if (np.diff(lap) <= 0).any():
        lap = (
            lap[known[0]] - known[0] + np.arange(len(lap), dtype=np.float64)
        )  # some number is known if one is not free
        how = "all laps are numbered in driving order"
    else:
        how = "each takes the number before or after"
    provenance.notes.append(f"'{header}' names laps by a word without a number ({named}): {how}.")
    return np.asarray(np.repeat(lap, np.diff(np.append(start, len(code)))))
