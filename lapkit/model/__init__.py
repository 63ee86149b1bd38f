"""From a recording to laps on one distance grid: cutting, placing, framing."""
