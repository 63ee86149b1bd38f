"""Notebooks that stay readable where a file lacks something: a sentence in place of a traceback."""

from __future__ import annotations

import ast
from textwrap import fill
from typing import Any

from lapkit.errors import LapkitError

WIDTH = 100
"""Columns a sentence is filled to."""
MISSING = "Left out: it needs what a part above could not give (see the sentence there)."


def say_plainly(shell: Any = None) -> None:
    """Let the cells that follow say in a sentence what a file lacks, and let those that build on it be left out.

    Errors that are not lapkit's keep their traceback.

    Parameters
    ----------
    shell : IPython shell, optional
        The one this runs in by default; nothing happens outside of one.

    Examples
    --------
    >>> guarded("number = best()").body[0].handlers[0].type.elts[0].attr
    'LapkitError'
    """
    if shell is None:
        from IPython.core.getipython import get_ipython

        shell = get_ipython()
    if shell is None or any(isinstance(one, _Guard) for one in shell.ast_transformers):
        return
    shell.ast_transformers.append(_Guard())


def guarded(source: str) -> ast.Module:
    r"""Return a cell with every lapkit error in it caught and said.

    Examples
    --------
    >>> exec(compile(guarded("import lapkit.errors\nraise lapkit.errors.LapError('no clean lap.')"), "cell", "exec"), {})
    no clean lap.
    """
    module = _Guard().visit(ast.parse(source))
    assert isinstance(module, ast.Module)
    return ast.fix_missing_locations(module)


def show(value: Any) -> None:
    """Show the value of the last line of a cell, as a notebook does."""
    if value is not None:
        from IPython.display import display

        display(value)  # type: ignore[no-untyped-call]


_said: list[str] = []


def say(error: Exception) -> None:
    """Say what is missing; a name that is not there is only a consequence where something was said before.

    Raises
    ------
    NameError
        If nothing was missing before: the mistake is in the cell.
    """
    if isinstance(error, LapkitError):
        _said.append(str(error))
        print(fill(str(error), WIDTH))
        return
    if not _said:
        raise error
    print(MISSING)


class _Guard(ast.NodeTransformer):
    """Wrap the lines of a cell."""

    def visit_Module(self, node: ast.Module) -> ast.Module:
        if not node.body:
            return node
        here = "__import__('lapkit.notebook').notebook"
        last = node.body[-1]
        if isinstance(last, ast.Expr):  # what a notebook shows is the value of a line of its own, not of one in a block
            shown = ast.parse(f"{here}.show(0)").body[0]
            assert isinstance(shown, ast.Expr) and isinstance(shown.value, ast.Call)
            shown.value.args = [last.value]
            node.body[-1] = ast.copy_location(shown, last)
        guard = ast.parse(
            f"try: pass\nexcept ({here}.LapkitError, NameError) as lapkit_error: {here}.say(lapkit_error)"
        ).body[0]
        assert isinstance(guard, ast.Try)
        guard.body = node.body
        node.body = [guard]
        return ast.fix_missing_locations(node)
