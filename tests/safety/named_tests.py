"""Finds a test by the name that the safety log and the scorecard give it."""

import ast
import re
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
# A call of `test`, also by way of `each` with its rows or of `fails`, and the name it begins with.
_VITEST = re.compile(
    r"""^[ \t]*(?:test|it)(?:\.(?P<how>\w+)(?:\([^'"`]*?\))?)?\(\s*"""
    r"""(?P<quote>['"`])(?P<name>(?:\\.|(?!(?P=quote)).)+)(?P=quote)""",
    re.MULTILINE,
)


def find_test(named: str) -> str | None:
    """Return what a test says of itself: its docstring, or the name of a vitest.

    Parameters
    ----------
    named : str
        ``tests/folder/test_file.py::test_name`` or ``pwa/src/folder/file.test.ts > name``.

    Returns
    -------
    str or None
        None where there is no such test, where it is expected to fail, or is left out.
    """
    if "::" in named:
        path, name = named.split("::")
        return _python_tests(path).get(name)
    path, _, name = named.partition(" > ")
    return name if name in _vitest_names(path) else None


@cache
def read_test(named: str) -> str:
    """Return the whole text of a test with its name in words, "" where there is none.

    Of a vitest, it is its name and what follows up to the next test.
    """
    if find_test(named) is None:
        return ""
    if "::" not in named:
        path, _, name = named.partition(" > ")
        source = (ROOT / path).read_text(encoding="utf-8")
        return _VITEST.split(source[source.index(name[:40]) :])[0]
    path, name = named.split("::")
    source = (ROOT / path).read_text(encoding="utf-8")
    (found,) = [
        one
        for one in ast.parse(source).body
        if isinstance(one, ast.FunctionDef) and one.name == name
    ]
    return f"{name.replace('_', ' ')}\n{ast.get_source_segment(source, found)}"


@cache
def _python_tests(path: str) -> dict[str, str]:
    file = ROOT / path
    if not file.is_file():
        return {}
    return {
        one.name: ast.get_docstring(one) or ""
        for one in ast.parse(file.read_text(encoding="utf-8")).body
        if isinstance(one, ast.FunctionDef) and not _is_marked_off(one)
    }


def _is_marked_off(function: ast.FunctionDef) -> bool:
    marks = " ".join(ast.unparse(one) for one in function.decorator_list)
    return re.search(r"\bmark\.(xfail|skip|skipif)\b", marks) is not None


@cache
def _vitest_names(path: str) -> frozenset[str]:
    file = ROOT / path
    if not file.is_file():
        return frozenset()
    return read_vitest_names(file.read_text(encoding="utf-8"))


def read_vitest_names(source: str) -> frozenset[str]:
    """Return the names of the tests of a file that have to pass."""
    return frozenset(
        re.sub(r"\\(.)", r"\1", found["name"])
        for found in _VITEST.finditer(source)
        if found["how"] in (None, "each")
    )
