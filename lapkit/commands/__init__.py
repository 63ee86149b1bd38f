"""The commands of the command line, a module a question. Nothing imports them but `lapkit.__main__`."""
