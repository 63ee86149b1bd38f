"""One module for each question; each answer is a table in SI units with its uncertainty."""
