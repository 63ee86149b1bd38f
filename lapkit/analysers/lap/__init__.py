"""What one lap was, and what it was beside another: lifts, corners, speed at the line, markers, delta."""
