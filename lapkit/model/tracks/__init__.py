"""The track: read, written, made from edges or a centre line, learnt from a lap, fitted to a recording."""
