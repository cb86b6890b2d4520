"""Lines of Python by package, now and at an earlier commit: `python tests/bench/count_lines.py [REVISION]`.

Lines of code are those that are neither empty nor comment nor docstring; all lines stand in brackets.
"""

import ast
import io
import subprocess
import sys
import tokenize
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]


def code_lines(text):
    """Number of lines that hold code."""
    lines = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in (tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER):
            lines.update(range(token.start[0], token.end[0] + 1))
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and ast.get_docstring(node, clean=False):
            lines -= set(range(node.body[0].lineno, node.body[0].end_lineno + 1))
    return len(lines)


def package(name):
    parts = Path(name).parts
    return "/".join(parts[:2]) if len(parts) > 2 else parts[0]


def counted(files):
    """(code, all) lines by package of (name, text) pairs."""
    code, whole = Counter(), Counter()
    for name, text in files:
        of = package(name).replace("catalogue", "species")
        code[of] += code_lines(text)
        whole[of] += text.count("\n")
    return code, whole


def at(revision):
    """Every Python file of the package and its tests, at a revision or as they are now."""
    def git(*words):
        return subprocess.run(["git", *words], cwd=ROOT, check=True, capture_output=True, text=True).stdout

    listing = ("ls-tree", "-r", "--name-only", revision) if revision else ("ls-files", "-co", "--exclude-standard")
    for name in git(*listing).split("\n"):
        if name.endswith(".py") and name.startswith(("triage/", "tests/")):
            if revision:
                yield name, git("show", f"{revision}:{name}")
            elif (ROOT / name).is_file():
                yield name, (ROOT / name).read_text("utf-8")


def main():
    revision = sys.argv[1] if len(sys.argv) > 1 else "0b843a9"
    (before, before_all), (now, now_all) = counted(at(revision)), counted(at(None))
    print(f"{'package':24} {'at ' + revision:>18} {'now':>18} {'change':>8}")
    for of in sorted({*before, *now}):
        print(f"{of:24} {before[of]:9,} ({before_all[of]:6,}) {now[of]:9,} ({now_all[of]:6,}) {now[of] - before[of]:+8,}")
    for what in ("triage", "tests"):
        was, is_now = (sum(n for of, n in some.items() if of.startswith(what)) for some in (before, now))
        print(f"{what + ' in all':24} {was:9,} {'':9}{is_now:9,} {'':9}{is_now - was:+8,}")


if __name__ == "__main__":
    main()
